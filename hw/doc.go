// Package hw is the pins: relay, heartbeat, buzzer and lamp going out; input
// lines, anemometer edges and converter counts coming in. It offers a board on
// real GPIO lines and a virtual board that other processes can see and work.
//
// It delivers raw edges, levels and counts with monotonic times and knows
// nothing of rules, units or MAVLink. It imports nothing of ours.
package hw
