// Package prove is the logic's own proof test: for every rule of an envelope
// it works out, from the rule itself, the smallest excursion that must trip and
// the largest that must not, and drives both, and what else can befall what it
// watches, through the very intake and engine that guard; so for each condition
// of a start. What no file changes is in the tests of this package.
//
// It promises that everything reaches the core as it would on the pad: MAVLink
// frames encoded by a library that is not ours, pin levels, converter counts
// and anemometer pulses, on a clock of its own; that it holds no second copy of
// a rule's working, only what the rule's words say must come of it; and that
// what it cannot prove is listed with the reason.
//
// It proves the logic on the files at hand. It proves no wiring, no relay, no
// sensor and no radio: that is for commissioning. It opens no device.
package prove
