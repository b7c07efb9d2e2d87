package told

import (
	"fmt"
	"math"
	"strconv"

	"downhaul/rules"
)

// worth is how many decimals of each unit a reading at a pad is worth; ours, from what
// cups, scales, altimeters and pack monitors resolve. Other units keep four digits.
var worth = map[string]int{
	"m": 1, "ft": 1, "in": 1, "cm": 0, "mm": 0, "m/s": 1, "km/h": 1, "kt": 1, "mph": 1, "ft/s": 1,
	"N": 0, "kN": 2, "kgf": 1, "lbf": 0, "V": 2, "mV": 0, "A": 1, "Ah": 2, "mAh": 0, "Wh": 0, "deg": 1, "deg/s": 0,
	"%": 1, "°C": 0, "°F": 0, "s": 2, "ms": 0, "rpm": 0, "Hz": 1,
}

// figure is a reading for people with as many figures as it is worth.
func figure(si float64, unit string) string {
	v, ok := rules.Convert(si, unit)
	places, known := worth[unit]
	if !ok || !known {
		return rules.Format(si, unit)
	}
	ten := math.Pow10(places)
	if v = math.Round(v*ten) / ten; v == 0 {
		v = 0 // never -0
	}
	return strconv.FormatFloat(v, 'f', -1, 64) + " " + unit
}

// headroom is the way to a limit, rounded towards it; what rounds to none is at the limit.
func headroom(si float64, unit string) string {
	places, ok := worth[unit]
	text := rules.FormatDifference(si, unit)
	var v float64
	if _, err := fmt.Sscan(text, &v); !ok || err != nil {
		return text
	}
	ten := math.Pow10(places)
	if v = math.Trunc(v*ten) / ten; v == 0 {
		return "at the limit"
	}
	return strconv.FormatFloat(v, 'f', -1, 64) + " " + unit
}
