// Package intake turns recorded chunks into the engine's inputs: it owns the
// frame scanner's state, the identity of the craft, pulse period to wind
// speed, converter counts to force, and the meaning of pin levels.
//
// The guard and the bench both go through it, so that a replay sees exactly
// what the live engine saw. It has no clock and no I/O.
package intake
