// Package hw is the pins: relay, heartbeat, buzzer and lamp going out; input
// lines, anemometer edges and converter counts coming in. It offers a board on
// real GPIO lines and a virtual board that other processes can see and work,
// with a model of the kill chain from relay pin to rotors.
//
// It delivers raw edges, levels and counts with monotonic times and knows
// nothing of rules, units of channels or MAVLink. It imports nothing of ours
// but the socket that stands below it, and it never decides: no level coming
// in changes a pin going out.
//
// The virtual board is a rehearsal and has no safety function. Its relay, its
// watchdog and its contactor live in the memory of the very process that they
// are meant to watch; when that process dies or hangs they prove nothing.
package hw
