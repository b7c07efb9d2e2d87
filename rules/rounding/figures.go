// Package rounding writes reckoned values for people: no more digits than the
// reckoning bears, and rounded to the side on which nobody is hurt.
package rounding

import (
	"math"
	"strconv"
	"strings"

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
	return number(v, max(0, places(v, digits)), way)
}

// Coarse returns an SI value in the unit with so many digits that count: a first
// guess must not look exact.
func Coarse(si float64, unit string, digits int, way Way) string {
	v, ok := rules.Convert(si, unit)
	if !ok {
		return rules.Format(si, unit)
	}
	return number(v, places(v, digits), way) + " " + unit
}

// places is how many digits behind the point, or before it where it is negative,
// show so many that count.
func places(v float64, digits int) int {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return min(8, digits-1-int(math.Floor(math.Log10(math.Abs(v)))))
}

func number(v float64, places int, way Way) string {
	scale := math.Pow10(places)
	slack := math.Abs(v*scale) * crumb
	switch way {
	case Up:
		v = math.Ceil(v*scale-slack) / scale
	case Down:
		v = math.Floor(v*scale+slack) / scale
	default:
		if places < 0 {
			v = math.Round(v*scale) / scale
		}
	}
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'f', max(0, places), 64), 64)
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

// AtLimit is a headroom that is none.
const AtLimit = "at the limit"

// Headroom returns the way to a limit with as many decimals as its readings are worth: what
// is left rounded down, what is past it to the nearest; what rounds to none is AtLimit.
func Headroom(si float64, unit string) string {
	text := rules.FormatDifference(si, unit)
	places, known := rules.Worth(unit)
	if v, err := strconv.ParseFloat(strings.TrimSuffix(text, " "+unit), 64); known && err == nil {
		ten := math.Pow10(places)
		if v = min(math.Trunc(v*ten), math.Round(v*ten)) / ten; v == 0 {
			return AtLimit
		}
		return strconv.FormatFloat(v, 'f', -1, 64) + " " + unit
	}
	return text
}
