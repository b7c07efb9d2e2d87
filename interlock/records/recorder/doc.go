// Package recorder writes what the guard heard to a pcapng file: one named
// interface for each input, trips as comments on the packets that caused them.
// Package recording reads it back, and reads what others recorded.
//
// It promises: what waits is written with one write, and a short write never leaves
// half a block in front of a whole one; a chunk that is not in the recording is
// told by an error and by the numbering.
//
// It decides nothing, starts no goroutine and reads no clock.
package recorder
