// Package tilt judges the tilt response: a craft without propellers is turned
// by hand, and a stabilising controller must raise the outputs of the motors on
// the low side. It finds motors on each other's outputs, a controller that is
// mounted turned, and a sign that is wrong, before anything spins.
//
// It promises that a direction counts as good only when every motor with an arm
// in it answered the right way by more than the noise at rest, and that what was
// not seen is never good, nor what something missing parts. It reads what the craft says and measures nothing of
// its own: a motor that turns the wrong way, or a propeller on upside down, shows
// nothing here. It does no I/O but for its dated records, and decides nothing
// while the craft flies.
package tilt
