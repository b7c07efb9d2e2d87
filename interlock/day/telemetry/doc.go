// Package telemetry reads what a craft says over MAVLink: it finds checked
// frames in any bytes, and turns their payloads into samples of the channels
// in rules.
//
// It promises: no frame is let through whose checksum was not checked with the
// seed of its message; the same bytes give the same frames however they are
// split; a value that the standard calls unknown is Missing, never a number;
// one table serves live and replay; no allocation per frame.
//
// It never does I/O, never asks for the time, never sends a byte, and never
// judges whose frame it is: identity, address and signature are intake's.
package telemetry
