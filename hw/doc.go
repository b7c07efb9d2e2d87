// Package hw is the pins: relay, heartbeat, buzzer and lamp going out; input
// lines, anemometer edges and converter counts coming in. It offers a board on
// real GPIO lines; package virtual has one in memory.
//
// It delivers raw edges, levels and counts with monotonic times and knows
// nothing of rules, units of channels or MAVLink. It imports nothing of ours
// but the socket that stands below it, and it never decides: no level coming
// in changes a pin going out.
package hw
