package judge

import (
	"math"
	"strconv"

	"downhaul/rules"
)

// rough is a reckoned value for people, with three significant digits and no
// part of a whole number cut: what was worked out without drag must not look
// exact. The unit is rules.Format's.
func rough(si float64, unit string) string { return rounded(si, unit, nearest) }

// roughUp is rough for a distance to keep or a time to wait: it never shows less
// than was reckoned.
func roughUp(si float64, unit string) string { return rounded(si, unit, ceiling) }

func nearest(v float64, digits int) float64 {
	n, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'f', digits, 64), 64)
	return n
}

// ceiling leaves out what is no more than the rounding of the sum itself.
func ceiling(v float64, digits int) float64 {
	scale := math.Pow(10, float64(digits))
	return nearest(math.Ceil(v*scale*(1-1e-12))/scale, digits)
}

func rounded(si float64, unit string, to func(v float64, digits int) float64) string {
	v, ok := rules.Convert(si, unit)
	if !ok {
		return rules.Format(si, unit)
	}
	size := math.Abs(v)
	digits := 0
	for limit := 100.0; size < limit && digits < 8 && v != 0; limit /= 10 {
		digits++
	}
	n := to(v, digits)
	text := strconv.FormatFloat(n, 'f', -1, 64)
	if unit == "" {
		return text
	}
	return text + " " + unit
}
