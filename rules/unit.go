package rules

import (
	"math/big"
	"slices"
	"strings"

	"downhaul/rules/document"
)

// unit is one way to write a quantity: SI = value·factor + offset.
type unit struct {
	text    string
	kind    Kind
	factor  *big.Rat
	offset  *big.Rat // nil is 0
	aliases []string
	// inside reports whether people do not write it: it stands in our own output
	// only.
	inside bool
}

// Published factors, each exact by definition unless said otherwise:
// pound-force 4.4482216152605 N, kilogram-force 9.80665 N, foot 0.3048 m, inch
// 0.0254 m, mile per hour 0.44704 m/s, knot 1852/3600 m/s, pound 0.45359237 kg
// (international yard and pound agreement of 1959; standard gravity 9.80665
// m/s², 3rd General Conference on Weights and Measures). A pound per square
// inch follows from these. Fahrenheit: °C = (°F − 32)·5/9. A turn is 2π; π is
// taken to 50 decimals, so that the one rounding to float64 is the only one.
const (
	poundForce    = "4.4482216152605"
	gravity       = "9.80665"
	squareInch    = "0.00064516"
	pi            = "3.14159265358979323846264338327950288419716939937511"
	halfTurn      = "180"
	fahrenheitOff = "-160/9"
)

// units is every unit by kind; the first of a kind is the SI one. It is filled
// once and never changed.
var units = []unit{
	{text: "1", kind: Ratio, factor: rat("1"), inside: true},
	{text: "%", kind: Ratio, factor: rat("1/100")},

	{text: "N", kind: Force, factor: rat("1")},
	{text: "kN", kind: Force, factor: rat("1000")},
	{text: "kgf", kind: Force, factor: rat(gravity)},
	{text: "lbf", kind: Force, factor: rat(poundForce)},

	{text: "m", kind: Length, factor: rat("1")},
	{text: "cm", kind: Length, factor: rat("1/100")},
	{text: "mm", kind: Length, factor: rat("1/1000")},
	{text: "ft", kind: Length, factor: rat("0.3048")},
	{text: "in", kind: Length, factor: rat("0.0254")},

	{text: "m/s", kind: Speed, factor: rat("1")},
	{text: "km/h", kind: Speed, factor: rat("1000/3600")},
	{text: "kt", kind: Speed, factor: rat("1852/3600")},
	{text: "mph", kind: Speed, factor: rat("0.44704")},
	{text: "ft/s", kind: Speed, factor: rat("0.3048")},

	{text: "m/s²", kind: Acceleration, factor: rat("1"), aliases: []string{"m/s2"}},
	{text: "ft/s²", kind: Acceleration, factor: rat("0.3048"), aliases: []string{"ft/s2"}},

	{text: "V", kind: Voltage, factor: rat("1")},
	{text: "mV", kind: Voltage, factor: rat("1/1000")},

	{text: "A", kind: Current, factor: rat("1")},
	{text: "mA", kind: Current, factor: rat("1/1000")},

	{text: "C", kind: Charge, factor: rat("1")},
	{text: "Ah", kind: Charge, factor: rat("3600")},
	{text: "mAh", kind: Charge, factor: rat("3.6")},

	{text: "J", kind: Energy, factor: rat("1")},
	{text: "Wh", kind: Energy, factor: rat("3600")},

	{text: "kg", kind: Mass, factor: rat("1")},
	{text: "g", kind: Mass, factor: rat("1/1000")},
	{text: "lb", kind: Mass, factor: rat("0.45359237")},

	{text: "s", kind: Duration, factor: rat("1")},
	{text: "ms", kind: Duration, factor: rat("1/1000")},
	{text: "us", kind: Duration, factor: rat("1/1000000"), aliases: []string{"\u00b5s", "\u03bcs"}},
	{text: "min", kind: Duration, factor: rat("60")},
	{text: "h", kind: Duration, factor: rat("3600")},
	{text: "d", kind: Duration, factor: rat("86400")},

	{text: "rad", kind: Angle, factor: rat("1")},
	{text: "deg", kind: Angle, factor: quo(rat(pi), rat(halfTurn)), aliases: []string{"°"}},

	{text: "rad/s", kind: AngularRate, factor: rat("1")},
	{text: "deg/s", kind: AngularRate, factor: quo(rat(pi), rat(halfTurn)), aliases: []string{"°/s"}},

	{text: "°C", kind: Temperature, factor: rat("1"), aliases: []string{"degC"}},
	{text: "°F", kind: Temperature, factor: rat("5/9"), offset: rat(fahrenheitOff), aliases: []string{"degF"}},

	{text: "Pa", kind: Pressure, factor: rat("1")},
	{text: "hPa", kind: Pressure, factor: rat("100")},
	{text: "kPa", kind: Pressure, factor: rat("1000")},
	{text: "psi", kind: Pressure, factor: quo(rat(poundForce), rat(squareInch))},

	{text: "Hz", kind: Frequency, factor: rat("1")},
	{text: "rpm", kind: Frequency, factor: rat("1/60")},

	{text: "W", kind: Power, factor: rat("1")},
	{text: "kW", kind: Power, factor: rat("1000")},

	{text: "ohm", kind: Resistance, factor: rat("1"), aliases: []string{"\u03a9", "\u2126"}},
	{text: "mohm", kind: Resistance, factor: rat("1/1000"), aliases: []string{"m\u03a9", "m\u2126"}},
}

var sixty = rat("60")

// rat is text as a fraction; text is one of the constants above.
func rat(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		panic("rules: " + text + " is no number")
	}
	return r
}

func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }

// findUnit finds a unit by any of its spellings. A rate may be any unit "/s"
// or "/min"; the rate of a plain number is "/s".
func findUnit(text string) (unit, bool) {
	for _, u := range units {
		if u.text == text || slices.Contains(u.aliases, text) {
			return u, true
		}
	}
	slash := strings.LastIndexByte(text, '/')
	if slash < 0 {
		return unit{}, false
	}
	per := text[slash+1:]
	if per != "s" && per != "min" {
		return unit{}, false
	}
	base := unit{kind: Number, factor: rat("1")}
	if before := text[:slash]; before != "" {
		var ok bool
		if base, ok = findUnit(before); !ok {
			return unit{}, false
		}
	}
	kind := base.kind.Rate()
	if kind == 0 {
		return unit{}, false
	}
	u := unit{text: base.text + "/" + per, kind: kind, factor: base.factor, inside: base.inside}
	if per == "min" {
		u.factor = quo(base.factor, sixty)
	}
	return u, true
}

// Units is every unit that fits the kind, the SI one first, in its main
// spelling; nil for flags and plain numbers.
func (k Kind) Units() []string {
	var out []string
	for _, u := range units {
		if u.kind == k && !u.inside {
			out = append(out, u.text)
		}
	}
	if len(out) > 0 || k&perSecond == 0 {
		return out
	}
	base := k &^ perSecond
	if base == Number {
		return []string{"/s", "/min"}
	}
	for _, per := range []string{"/s", "/min"} {
		for _, b := range base.Units() {
			out = append(out, b+per)
		}
	}
	return out
}

var kindText = [kindCount]string{
	Flag: "true or false", Number: "plain number", Ratio: "share", Force: "force",
	Length: "length", Speed: "speed", Acceleration: "acceleration", Voltage: "voltage",
	Current: "current", Charge: "charge", Energy: "energy", Mass: "mass", Duration: "time",
	Angle: "angle", AngularRate: "turning rate", Temperature: "temperature",
	Pressure: "pressure", Frequency: "frequency", Power: "power", Resistance: "resistance",
}

// String is the kind in plain words.
func (k Kind) String() string {
	if k&perSecond != 0 {
		return (k &^ perSecond).String() + " per time"
	}
	if k == 0 || k >= kindCount {
		return "unknown kind"
	}
	return kindText[k]
}

// SIUnit is the unit in which a value of the kind is held, as it stands beside
// numbers in JSON: "1" for a share, empty for flags and plain numbers.
func SIUnit(k Kind) string {
	if k&perSecond != 0 {
		if base := SIUnit(k &^ perSecond); base != "" {
			return base + "/s"
		}
		return "/s"
	}
	for _, u := range units {
		if u.kind == k {
			return u.text
		}
	}
	return ""
}

// The units that people get where they chose none of their own: common
// practice at a flying field, no source.
var (
	metric = map[Kind]string{
		Ratio: "%", Force: "N", Length: "m", Speed: "m/s", Acceleration: "m/s²", Voltage: "V",
		Current: "A", Charge: "Ah", Energy: "Wh", Mass: "kg", Duration: "s", Angle: "deg",
		AngularRate: "deg/s", Temperature: "°C", Pressure: "hPa", Frequency: "rpm", Power: "W",
		Resistance: "mohm",
	}
	imperial = map[Kind]string{
		Force: "lbf", Length: "ft", Speed: "mph", Acceleration: "ft/s²", Mass: "lb",
		Temperature: "°F", Pressure: "psi",
	}
)

// DefaultUnit is the unit for people where none was written: system is "metric"
// or "imperial", anything else counts as metric. Empty for flags and plain
// numbers.
func DefaultUnit(k Kind, system string) string {
	if k&perSecond != 0 {
		if k&^perSecond == Number {
			return "/s"
		}
		return DefaultUnit(k&^perSecond, system) + "/s"
	}
	if u, ok := imperial[k]; ok && system == "imperial" {
		return u
	}
	return metric[k]
}

// listUnits is the units of k as a sentence takes them.
func (k Kind) listUnits() string {
	all := k.Units()
	if k&perSecond != 0 && len(all) > 4 {
		// The per-minute ones go without saying.
		all = all[:len(all)/2]
	}
	return document.List(all, "or")
}

// KindOf is the kind of quantity that a text with a unit, such as "40 mm", can
// only be. ok is false where there is no number or no unit that is known.
func KindOf(text string) (Kind, bool) {
	number, unitText := split(strings.TrimSpace(text))
	if number == "" || unitText == "" {
		return 0, false
	}
	u, ok := findUnit(unitText)
	if !ok || u.inside {
		return 0, false
	}
	return u.kind, true
}
