package judge

import "math"

// Gravity is 9.80665 m/s² (3rd General Conference on Weights and Measures,
// 1901).
const Gravity = 9.80665

// FallSpeed is the speed after a free fall from a height (m), v = √(2 g h):
// without drag, so on the high side. FallTime is how long it takes (s), t =
// √(2 h / g).
func FallSpeed(h float64) float64 { return math.Sqrt(2 * Gravity * max(h, 0)) }

// FallTime is the time of a free fall from h m, s.
func FallTime(h float64) float64 { return math.Sqrt(2 * max(h, 0) / Gravity) }

// Runaway is the height (m) that a craft in hover gains when it goes to full
// thrust for t s and then coasts: ½ a t² + (a t)² / 2g with a = full thrust
// over mass less g. Without drag, so on the high side.
func Runaway(acceleration, t float64) float64 {
	a := max(0, acceleration-Gravity)
	return a*t*t/2 + (a*t)*(a*t)/(2*Gravity)
}

// WorkingLoad is breaking strength over design factor, N (Cordage Institute CI
// 1401); 0 when either is not stated.
func WorkingLoad(breaking, designFactor float64) float64 {
	if designFactor == 0 {
		return 0
	}
	return breaking / designFactor
}

// Stiffness of a line that stretches by a share of its length at a force, N/m;
// 0 when something is not stated.
func Stiffness(stretch, at, length float64) float64 {
	if stretch == 0 || length == 0 {
		return 0
	}
	return at / (stretch * length)
}

// Snatch is the greatest pull (N) when a mass runs into the end of a line of
// stiffness k at speed v while a steady force pulls on: F = P + √(P² + k m v²).
// It follows from energy, ½ m v² + P x = ½ k x². With P the weight and v² = 2 g
// h it is the standard equation of a fall into a rope. The line is taken as a
// spring: real ropes have given up to 30 % more with heavy masses and long
// falls.
func Snatch(pull, k, mass, v float64) float64 {
	return pull + math.Sqrt(pull*pull+k*mass*v*v)
}

// SnatchTime is how long the pull takes from nothing to its greatest, s: a
// quarter of the period of a mass on a spring, at the longest.
func SnatchTime(k, mass float64) float64 { return math.Pi / 2 * math.Sqrt(mass/k) }

// ClosingSpeed is the speed (m/s) at which a mass may run into the end of a
// line without passing the working load: v = WLL / √(k m). Weight and thrust
// are left out. 0 when something is not stated.
func ClosingSpeed(workingLoad, k, mass float64) float64 {
	if k == 0 || mass == 0 {
		return 0
	}
	return workingLoad / math.Sqrt(k*mass)
}

// Separation is how far (m) from a hazard a protective device must find a
// person who walks in at k m/s while it takes t s to be over, with c m beyond:
// S = K T + C (ISO 13855, as makers' manuals quote it).
func Separation(k, t, c float64) float64 { return k*t + c }

// Of ISO 13855: a walking person, and the part of a body that reaches ahead of
// what is found (a whole body past a barrier; from memory).
const (
	WalkingSpeed = 1.6  // m/s
	BodyReach    = 0.85 // m
)

// Throw is how far (m) something lands that leaves at speed v from a height h
// at the worst angle: v/g · √(v² + 2 g h). Without drag, so on the high side.
func Throw(v, h float64) float64 {
	return v / Gravity * math.Sqrt(v*v+2*Gravity*max(h, 0))
}

// Parted is how far from the anchor (m) a craft may come down whose tether of
// length l parts while it pulls sideways with all its thrust (acceleration a),
// until thrust is gone after t s: l + ½ a t² + Throw(a t, h).
func Parted(l, a, t, h float64) float64 {
	return l + a*t*t/2 + Throw(a*t, h)
}
