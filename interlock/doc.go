// Package interlock is the decision core: it takes inputs stamped with engine
// time and answers with effects. Engine time is nanoseconds since the session
// started.
//
// It promises: the same inputs give the same effects, bit for bit, on every
// architecture; an immediate stop opens the relay in the very Step or Advance
// in which it becomes due; trips latch. It has no I/O, no clock, no goroutine
// and no global that changes.
package interlock
