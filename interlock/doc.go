// Package interlock is the decision core: it takes inputs stamped with engine
// time (nanoseconds since the session started) and answers with effects. The
// latch has states, input lines, chain, trips and sound, timers of its own, and
// knows no channel; it is told stops, trips and facts by calls that a test names,
// and asks through the interface below, whose answers never call it back.
// interlock/limits has the channels and the rules in time and knows no state.
// What turns readings into facts stands between them, and the engine joins all.
//
// It promises: the same inputs give the same effects, bit for bit, on every
// architecture; an immediate stop opens the relay in the very Step or Advance
// in which it becomes due; trips latch. It has no I/O, no clock, no goroutine
// and no global that changes. It trusts its caller to obey the effects, to call
// Advance by Deadline, and to tell each line, frame and sample as it was read.
//
// What falls into one instant acts in the order that instant.go gives. A test that
// fails in a fault changes nothing, but for power that was not removed: that is put on
// record on top of any other. A reset of a fault asks for what can be looked at
// without power: relay and heartbeat can be written, both contacts of the stop were
// seen open, the mirror reads open, nothing turns. A contactor that did not close, or
// a watchdog that did not let go, is tried by the next start, and by the tests for
// which the ledger holds that start back.
package interlock
