package rules

import (
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
)

// Convert gives a value in SI in another unit, with one rounding. ok is false
// for an unknown unit and for NaN or infinity. The empty unit leaves the value
// as it is. It takes about a microsecond: for people, not for the loop.
func Convert(si float64, unitText string) (float64, bool) {
	return convert(si, unitText, true)
}

func convert(si float64, unitText string, offset bool) (float64, bool) {
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return 0, false
	}
	if unitText == "" {
		return si, true
	}
	u, ok := findUnit(unitText)
	if !ok {
		return 0, false
	}
	r := new(big.Rat).SetFloat64(si)
	if offset && u.offset != nil {
		if zero, _ := u.offset.Float64(); si == zero {
			return 0, true // what rounding has left of it would be shown as -1e-15
		}
		r.Sub(r, u.offset)
	}
	v, _ := r.Quo(r, u.factor).Float64()
	if math.IsInf(v, 0) {
		return 0, false
	}
	return v + 0, true // + 0: never −0
}

// significant is how many digits people get of a reading; ours: finer than any
// sensor of the pad, and short enough for a line of the page.
const significant = 4

// Format is a reading for people, short: four significant digits, whole
// numbers never cut, such as "1800 N", "3.45 V" or "14 mph". The unit is the
// text that a user may write; with an unknown one the value stays in SI and
// without a unit. A NaN or an infinity is "no value".
func Format(si float64, unitText string) string {
	return format(si, unitText, true)
}

// FormatDifference is Format for a difference of two values: the zero of a
// temperature scale is left out.
func FormatDifference(si float64, unitText string) string {
	return format(si, unitText, false)
}

func format(si float64, unitText string, offset bool) string {
	v, ok := convert(si, unitText, offset)
	if !ok {
		if v, ok = convert(si, "", offset); !ok {
			return "no value"
		}
		unitText = ""
	}
	return withUnit(short(v), unitText)
}

func withUnit(number, unitText string) string {
	if unitText == "" {
		return number
	}
	return number + " " + unitText
}

// short is v with four significant digits, whole numbers in full.
func short(v float64) string {
	if size := math.Abs(v); size >= 1e9 || v != 0 && size < 1e-6 {
		return strconv.FormatFloat(v, 'g', significant, 64)
	}
	text := strconv.FormatFloat(v, 'e', significant-1, 64)
	ten, _ := strconv.Atoi(text[strings.IndexByte(text, 'e')+1:]) // it is our own form
	return trimZeros(strconv.FormatFloat(v, 'f', max(0, significant-1-ten), 64))
}

// worth is how many decimals of each unit a reading at a pad is worth; ours, from what
// cups, scales, altimeters and pack monitors resolve.
var worth = map[string]int{
	"m": 1, "ft": 1, "in": 1, "cm": 0, "mm": 0, "m/s": 1, "km/h": 1, "kt": 1, "mph": 1, "ft/s": 1,
	"N": 0, "kN": 2, "kgf": 1, "lbf": 0, "V": 2, "mV": 0, "A": 1, "Ah": 2, "mAh": 0, "Wh": 0, "deg": 1, "deg/s": 0,
	"%": 1, "°C": 0, "°F": 0, "s": 2, "ms": 0, "rpm": 0, "Hz": 1,
}

// Worth returns how many decimals a reading in a unit is worth, where that is known.
func Worth(unitText string) (decimals int, known bool) {
	decimals, known = worth[unitText]
	return decimals, known
}

// Reading is a measured value for people, with as many decimals as it is worth, and more
// where it would stand at a limit beside it (0 is none), or on its wrong side; else Format.
func Reading(si float64, unitText string, limits ...float64) string {
	v, ok := Convert(si, unitText)
	places, known := worth[unitText]
	if !ok || !known {
		return Format(si, unitText)
	}
	for ; ; places++ {
		text := trimZeros(strconv.FormatFloat(v, 'f', places, 64))
		shown, _ := strconv.ParseFloat(text, 64) // it is our own form
		wrong := func(limit float64) bool {
			l, _ := Convert(limit, unitText)
			return (shown-l)*(v-l) < 0 || shown == l && v != l && l != 0
		}
		if places >= significant || !slices.ContainsFunc(limits, wrong) {
			return withUnit(strings.TrimPrefix(text, map[bool]string{true: "-"}[shown == 0]), unitText)
		}
	}
}

func trimZeros(s string) string {
	if strings.IndexByte(s, '.') >= 0 {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// FormatExact is the shortest text that reads back as exactly this value:
// for limits, which people must see as they wrote them.
func FormatExact(si float64, unitText string) string {
	v, ok := Convert(si, unitText)
	if !ok {
		return Format(si, unitText)
	}
	u, known := findUnit(unitText)
	if !known || u.inside {
		return withUnit(plain(v, -1), unitText)
	}
	for digits := 1; digits <= 17; digits++ {
		text := withUnit(plain(v, digits), unitText)
		if q, err := ParseQuantity(text, u.kind); err == nil && q.SI == si {
			return text
		}
	}
	return withUnit(plain(v, -1), unitText)
}

// plain is v with the given significant digits, without an exponent where that
// stays readable.
func plain(v float64, digits int) string {
	if digits > 0 {
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	}
	if size := math.Abs(v); size != 0 && (size >= 1e15 || size < 1e-6) {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
