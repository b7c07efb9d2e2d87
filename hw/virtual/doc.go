// Package virtual is a board that other processes can see and work, with a model of
// the kill chain from relay pin to rotors.
//
// It is a rehearsal and has no safety function. Its relay, its watchdog and its
// contactor live in the memory of the very process that they are meant to watch;
// when that process dies or hangs they prove nothing. The packaged daemon does not
// carry it.
package virtual
