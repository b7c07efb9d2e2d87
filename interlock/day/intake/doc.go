// Package intake turns recorded chunks into the engine's inputs: it owns the
// frame scanner's state, the identity of the craft, pulse period to wind
// speed, converter counts to force, and the meaning of pin levels.
//
// It promises: the guard and the bench both go through it, so that a replay
// sees exactly what the live engine saw; the same chunks give the same inputs;
// only the named craft, from one place, feeds samples or counts as a sign of
// life; data no younger than the last of its kind feeds nothing; a failed or
// damaged reading is never a value, a level or a calm; chunks that were lost
// are told before what came after them; no allocation once there is room.
//
// The rest of the guard does not rely on that: border.go, pins.go, host.go and
// chunk.go take lines and the host's words from nobody else, and outlive a decoder
// that lies or panics.
//
// It never does I/O, never asks for the time, never judges a limit. It is not
// told which signatures to trust: a frame's signature is not checked.
package intake
