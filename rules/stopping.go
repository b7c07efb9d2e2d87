package rules

import (
	"math"
	"time"
)

// Two times follow the relay's opening. They are two types with fields of
// different names, so that neither can stand where the other belongs: with the
// first in the place of the second a standing craft's predicted apex lies tens
// of metres up, with the second in the place of the first somebody walks up to
// rotors that still turn.

// RotorsStanding is how long after the relay's opening the last rotor stands.
// It serves access, keep-out and walk-in.
type RotorsStanding struct {
	Standing time.Duration
	// Measured reports whether the stop test measured it; else it is stated.
	Measured bool
}

// ThrustGone is how long full thrust would have to act to push as much as what
// is left of it after the relay's opening does. It serves the predicted apex,
// runaway and snatch.
type ThrustGone struct {
	Gone time.Duration
	// Measured reports whether the standing of the rotors behind it was measured;
	// Traced that the fall of the rotor speed was, too. Without that it is
	// reckoned as even.
	Measured, Traced bool
}

// LeastStated is the least that counts until the stop was measured: a rotor
// with its propeller takes 0.5 to 3 s from full output (from memory).
const LeastStated = 3 * time.Second

// stopMargin is what a measured stop is lengthened by: ours.
const stopMargin = 1.25

// Stated is what counts until the stop was measured: the longest of what was
// stated, and never less than LeastStated.
func Stated(told ...time.Duration) RotorsStanding {
	s := RotorsStanding{Standing: LeastStated}
	for _, t := range told {
		s.Standing = max(s.Standing, t)
	}
	return s
}

// Says is where the number comes from.
func (s RotorsStanding) Says() string {
	if s.Measured {
		return "measured"
	}
	return "stated, not measured"
}

// Evenly is the thrust after an opening where nobody traced the rotor speed:
// full for the delay, then with a speed that falls evenly until the rotors
// stand. ∫(1 − t/T)² dt over T is a third of T. The delay is counted on top of
// the whole of T, which is on the high side.
func (s RotorsStanding) Evenly(delay time.Duration) ThrustGone {
	return ThrustGone{Gone: delay + (s.Standing+2)/3, Measured: s.Measured}
}

// Says is where the number comes from.
func (g ThrustGone) Says() string {
	switch {
	case g.Traced:
		return "measured by rotor speed"
	case g.Measured:
		return "reckoned from the measured stop"
	}
	return "stated, not measured"
}

// WithMargin is a measured time with stopMargin on it, rounded up to a
// millisecond.
func WithMargin(d time.Duration) time.Duration {
	return RoundUp(time.Duration(math.Ceil(float64(d) * stopMargin)))
}

// RoundUp is a time rounded up to a millisecond, as it stands in host events.
func RoundUp(d time.Duration) time.Duration {
	return (d + time.Millisecond - 1).Truncate(time.Millisecond)
}
