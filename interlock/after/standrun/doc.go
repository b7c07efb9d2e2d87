// Package standrun makes the table of a thrust stand out of a session in which one motor
// ran on it under the guard.
//
// What the crew did stands in the session as marks that a tool or a hand stamped: tare,
// the known mass that was hung, each output that was held. The readings behind them are
// those of the recording. So a table is made the same way while the motor runs, after the
// run, and from a run that broke off.
//
// It promises: no row without readings; the zero and the lever with what they may be off
// by; what was left out, and why. It never does: guess a lever, or a zero.
package standrun
