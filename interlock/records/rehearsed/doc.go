// Package rehearsed keeps on record what rehearsals on a pad's real board did to it:
// faults of the chain and closings of the contactor are real there, though everything
// else of a rehearsal counts for nothing.
//
// It promises: before a rehearsal can close the relay, a defect stands in the ledger of
// the log folder, and it is closed only when the end is on record and every fault of the
// chain stands in the ledger. So a rehearsal that is killed holds the next start back
// until somebody has its records read (Settle).
package rehearsed
