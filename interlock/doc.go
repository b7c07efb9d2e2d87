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
package interlock
