package hazard

import (
	"math"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// Gravity is 9.80665 m/s² (3rd General Conference on Weights and Measures,
// 1901).
const Gravity = 9.80665

// FallSpeed is the speed after a free fall from a height (m), v = √(2 g h):
// without drag, so on the high side. fallTime is how long it takes (s), t =
// √(2 h / g).
func FallSpeed(h float64) float64 { return math.Sqrt(2 * Gravity * max(h, 0)) }

// fallTime is the time of a free fall from h m, s.
func fallTime(h float64) float64 { return math.Sqrt(2 * max(h, 0) / Gravity) }

// Runaway is the height (m) that a craft in hover gains when it goes to full
// thrust for t s and then coasts: ½ a t² + (a t)² / 2g with a = full thrust
// over mass less g. Without drag, so on the high side.
func Runaway(acceleration, t float64) float64 {
	return derived.Coast(0, 0, t, max(0, acceleration-Gravity))
}

// FromRest is the speed (m/s) at d m from where a craft started with the even net
// acceleration a: v = √(2 a d). Without drag, so on the high side; that rotors
// lift more close to the ground is left out, on the low side.
func FromRest(a, d float64) float64 { return math.Sqrt(2 * max(0, a) * max(0, d)) }

// topOf is where a runaway from the pad tops out (m) that is detected at the true
// height h and pushed by full thrust for t s more.
func topOf(acceleration, h, t float64) float64 {
	a := max(0, acceleration-Gravity)
	return derived.Coast(h, FromRest(a, h), t, a)
}

// Sideways is the acceleration of a craft that goes off level at full thrust:
// √((T/m)² − g²), what holding its height leaves of the thrust.
func Sideways(acceleration float64) float64 {
	return math.Sqrt(max(0, acceleration*acceleration-Gravity*Gravity))
}

// workingLoad is breaking strength over design factor, N (Cordage Institute CI
// 1401); 0 when either is not stated.
func workingLoad(breaking, designFactor float64) float64 {
	if designFactor == 0 {
		return 0
	}
	return breaking / designFactor
}

// stiffness of a line that stretches by a share of its length at a force, N/m;
// 0 when something is not stated.
func stiffness(s rules.Stretch, length float64) float64 {
	if s.Share == 0 || length == 0 {
		return 0
	}
	return s.At / (s.Share * length)
}

// snatch is the greatest pull (N) when a mass runs into the end of a line of
// stiffness k at speed v while a steady force pulls on: F = P + √(P² + k m v²).
// It follows from energy, ½ m v² + P x = ½ k x². With P the weight and v² = 2 g
// h it is the standard equation of a fall into a rope. The line is taken as a
// spring: real ropes have given up to 30 % more with heavy masses and long
// falls.
func snatch(pull, k, mass, v float64) float64 {
	return pull + math.Sqrt(pull*pull+k*mass*v*v)
}

// peakTime is how long the pull takes from nothing to its greatest, s, with a steady
// force that pulls on: √(m/k)·(π/2 + atan(P/(v·√(k m)))), from x″ = (P − k x)/m.
// Without the force it is a quarter of the period of a mass on a spring, and that is
// the least.
func peakTime(pull, k, mass, v float64) float64 {
	return math.Sqrt(mass/k) * (math.Pi/2 + math.Atan(pull/(v*math.Sqrt(k*mass))))
}

// closingSpeed is the speed (m/s) at which a mass may run into the end of a line
// without passing the working load W while a steady force P ≥ 0 pulls on:
// v = √(W² − 2 W P)/√(k m), from ½ m v² + P x = ½ k x² at k x = W. It is 0 where P
// alone, put on at once, pulls as much: where 2 P ≥ W.
func closingSpeed(workingLoad, pull, k, mass float64) float64 {
	return math.Sqrt(max(0, workingLoad*workingLoad-2*workingLoad*pull)) / math.Sqrt(k*mass)
}

// separation is how far (m) from a hazard a protective device must find a
// person who walks in at k m/s while it takes t s to be over, with c m beyond:
// S = K T + C (ISO 13855, as makers' manuals quote it).
func separation(k, t, c float64) float64 { return k*t + c }

// Of ISO 13855: a walking person, and the part of a body that reaches ahead of
// what is found (a whole body past a barrier; from memory).
const (
	walkingSpeed = 1.6  // m/s
	bodyReach    = 0.85 // m
)

// throw is how far (m) something lands that leaves at speed v from a height h
// at the worst angle: v/g · √(v² + 2 g h). Without drag, so on the high side.
func throw(v, h float64) float64 {
	return v / Gravity * math.Sqrt(v*v+2*Gravity*max(h, 0))
}
