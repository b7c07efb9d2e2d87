// Package hw is the pins: relay, heartbeat, buzzer and lamp going out; input
// lines, anemometer edges and converter counts coming in. It offers a board on
// real GPIO lines; package virtual has one in memory.
//
// It delivers raw edges, levels and counts with monotonic times and knows
// nothing of rules, units of channels or MAVLink. It imports nothing of ours
// but the socket that stands below it, and it never decides: no level coming
// in changes a pin going out.
//
// It promises: a line that could not be read or written is an error, never a level;
// a board is inert when opened and when closed. It trusts the kernel to drive the
// line that it was asked for, since no output is read back, and its caller to use
// outputs and levels from one goroutine.
package hw
