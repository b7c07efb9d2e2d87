package judge

import (
	"math"
	"strconv"

	"downhaul/rules"
)

// rough is a reckoned value for people, with three significant digits and no
// part of a whole number cut: what was worked out without drag must not look
// exact. The unit is rules.Format's.
func rough(si float64, unit string) string {
	v, ok := rules.Convert(si, unit)
	if !ok {
		return rules.Format(si, unit)
	}
	size := math.Abs(v)
	digits := 0
	for limit := 100.0; size < limit && digits < 8 && v != 0; limit /= 10 {
		digits++
	}
	n, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'f', digits, 64), 64)
	text := strconv.FormatFloat(n, 'f', -1, 64)
	if unit == "" {
		return text
	}
	return text + " " + unit
}
