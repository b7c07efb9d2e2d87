// Package ledger keeps the list of faults of the chain and of defects in a log
// folder: numbered, dated records that say what happened, what was mended or done
// about it, and by whom. What stands open holds the next start back.
//
// It promises that a number never comes again, that a fault that stands in a
// session's trip log is taken over at the next look, whatever became of the guard
// that met it, and that a record which is gone or damaged holds a start back like
// an open defect. Order is the order of the numbers, not of the dates: clocks may
// be unset. It knows nothing of the latch and takes no power off.
package ledger
