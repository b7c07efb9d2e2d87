// Package recipe holds what a forecast of lift wants of the flights before it says go.
// The forecast and what check tells before any flight both ask here, so that a crew
// which flew by the one is not sent back by the other.
package recipe

const (
	// WiderBy is the least by which the heaviest hover must exceed the lightest
	// for the slope of the law of thrust to mean anything.
	WiderBy = 1.08
	// LowestTop is the least output of the heaviest hover: from lower, full output
	// is too far off.
	LowestTop = 0.45
	// Furthest is how much heavier than anything held in a hover the next step may
	// be.
	Furthest = 1.3
	// Reserve is the lift required beyond the weight where the card asks for no other,
	// as a share of it: a thrust of 1.5 times the weight is the least for control of
	// attitude (common practice, no source).
	Reserve = 0.5
	// HoverTime is the hover that the handbook's recipe flies, s, and that a go counts for
	// where the card asks for no other: flights show how the pack falls for about as
	// long as they last.
	HoverTime = 20.0
)
