// Package rules says what is allowed: quantities with units, the catalogue of
// channels, the envelope of the day, and the static question whether a value
// is inside, in caution or beyond.
//
// It promises to be pure: no I/O, no clock, no goroutine and no global that
// changes. The same text gives the same envelope, with the same faults in the
// same order, on every architecture. It never decides anything in time; delays,
// staleness and latching belong to package interlock.
package rules
