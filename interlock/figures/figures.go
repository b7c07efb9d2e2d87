// Package figures writes reckoned values for people: no more digits than the
// reckoning bears, and rounded to the side on which nobody is hurt.
package figures

import (
	"math"
	"strconv"

	"downhaul/rules"
)

// Way is the side to which a value is rounded.
type Way uint8

// The ways.
const (
	// Near is for what is stated or measured.
	Near Way = iota
	// Up never shows less than was reckoned: distances to keep, times to wait,
	// speeds, heights and pulls to fear.
	Up
	// Down never shows more than was reckoned: speeds that are allowed, loads
	// that may be put on, reserves, times that are at least left.
	Down
)

// crumb is the share of a value that is no more than the rounding of its sum.
const crumb = 1e-12

// Number returns a value with so many significant digits; no digit of its whole
// part is cut.
func Number(v float64, digits int, way Way) string {
	places := 0
	for limit := math.Pow10(digits - 1); math.Abs(v) < limit && places < 8 && v != 0; limit /= 10 {
		places++
	}
	scale := math.Pow10(places)
	slack := math.Abs(v*scale) * crumb
	switch way {
	case Up:
		v = math.Ceil(v*scale-slack) / scale
	case Down:
		v = math.Floor(v*scale+slack) / scale
	}
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'f', places, 64), 64)
	return strconv.FormatFloat(v+0, 'f', -1, 64) // + 0: no minus before a nought
}

// Show returns an SI value in the unit, with its name. A unit that is none of
// ours is rules.Format's.
func Show(si float64, unit string, digits int, way Way) string {
	v, ok := rules.Convert(si, unit)
	if !ok {
		return rules.Format(si, unit)
	}
	if unit == "" {
		return Number(v, digits, way)
	}
	return Number(v, digits, way) + " " + unit
}
