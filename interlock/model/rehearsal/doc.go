// Package rehearsal flies the modelled craft of a crew's own files against the
// guard, so that card, limits and mishaps can be tried without hardware.
//
// It promises: what the files do not say is either asked for or listed with what
// was taken instead; the guard is the real one on a virtual board, and everything
// it writes says so; the judge of a flight is the model's truth and no telemetry;
// the same files, scenario and seed give the same flight. On a real board no fault is put
// into its pins, a sign of power in the real craft opens the relay, and what the real
// chain does is put on record as real.
package rehearsal
