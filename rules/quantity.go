package rules

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"downhaul/rules/document"
)

// Fault and Faults say what is wrong in a file.
type (
	Fault  = document.Fault
	Faults = document.Faults
)

// Quantity is a number with its unit.
type Quantity struct {
	// SI is the value in the SI unit of the kind; never NaN, infinite or −0.
	SI   float64
	Kind Kind
	// Unit is the unit as it was written, Text the whole.
	Unit, Text string
}

// ParseQuantity reads a quantity such as "1800 N" or "-4.5 °C" that must be of
// the kind want. Only one rounding, to the nearest float64, lies between the
// text and the value. A plain number is "5", a flag "true" or "false". The
// error is a Fault without a place.
func ParseQuantity(text string, want Kind) (Quantity, error) {
	return parseQuantity(text, want, true)
}

// ParseDifference is ParseQuantity for a difference of two values: for a
// temperature the zero of the scale is left out, so that "9 °F" is 5 °C.
func ParseDifference(text string, want Kind) (Quantity, error) {
	return parseQuantity(text, want, false)
}

func parseQuantity(text string, want Kind, offset bool) (Quantity, error) {
	if want == Flag {
		switch strings.TrimSpace(text) {
		case "true":
			return Quantity{SI: 1, Kind: Flag, Text: text}, nil
		case "false":
			return Quantity{Kind: Flag, Text: text}, nil
		}
		return Quantity{}, Fault{Wrong: "takes true or false", Got: document.Quote(text), Mend: "write true or false"}
	}
	exact, unit, err := parseExact(text, want, offset)
	if err != nil {
		return Quantity{}, err
	}
	si, _ := exact.Float64()
	if math.IsInf(si, 0) {
		return Quantity{}, Fault{Wrong: "is too large a number", Got: document.Quote(text), Mend: "check the exponent"}
	}
	if si == 0 && exact.Sign() != 0 {
		return Quantity{}, Fault{Wrong: "is too small a number", Got: document.Quote(text), Mend: "check the exponent"}
	}
	return Quantity{SI: si, Kind: want, Unit: unit, Text: text}, nil
}

// Bounds of a number's text; ours. No quantity of this trade needs more, and an
// exponent without bound would cost memory without bound.
const (
	longestNumber  = 64
	largestPower10 = 400
)

// parseExact reads text as an exact SI value of the kind want.
func parseExact(text string, want Kind, offset bool) (*big.Rat, string, error) {
	got := document.Quote(text)
	trimmed := strings.TrimSpace(text)
	how := want.howToWrite()
	if trimmed == "" {
		return nil, "", Fault{Wrong: "is empty", Got: got, Mend: how}
	}
	number, unitText := split(trimmed)
	if number == "" {
		if strings.HasPrefix(trimmed, "\u2212") {
			how = "write the minus as - (this one is a sign of typography)"
		}
		return nil, "", Fault{Wrong: "does not begin with a number", Got: got, Mend: how}
	}
	if len(number) > longestNumber || !utf8.ValidString(text) {
		return nil, "", Fault{Wrong: "is no number that can be meant", Got: got, Mend: how}
	}
	if at := strings.IndexAny(number, "eE"); at >= 0 {
		if p, err := strconv.Atoi(number[at+1:]); err != nil || p > largestPower10 || p < -largestPower10 {
			return nil, "", Fault{Wrong: "has an exponent past ±" + strconv.Itoa(largestPower10), Got: got, Mend: "check the exponent"}
		}
	}
	if want == 0 {
		return nil, "", Fault{Wrong: "nothing fits here", Got: got, Mend: "take it out"}
	}
	value, ok := new(big.Rat).SetString(number)
	if !ok {
		return nil, "", Fault{Wrong: "does not begin with a number", Got: got, Mend: how}
	}
	if want == Number {
		if unitText != "" {
			return nil, "", Fault{Wrong: "takes a plain number, without a unit", Got: got, Mend: "write " + number}
		}
		return value, "", nil
	}
	if unitText == "" {
		return nil, "", Fault{Wrong: "has no unit", Got: got, Mend: how}
	}
	u, ok := findUnit(unitText)
	if strings.ContainsAny(unitText[:1], ",.'0123456789") {
		return nil, "", Fault{Wrong: "has something inside its number", Got: got, Mend: "write decimals behind a point and thousands without a mark, such as \"3.45 V\" or \"22000 N\""}
	}
	if !ok || u.inside {
		return nil, "", Fault{Wrong: "has an unknown unit, " + document.Quote(unitText), Got: got, Mend: how}
	}
	if u.kind != want {
		// A mass is often written for its weight, and the other way round.
		if as := map[string]string{"lb": "lbf", "kg": "kgf", "lbf": "lb", "kgf": "kg"}[u.text]; as != "" && (want == Force || want == Mass) {
			how += fmt.Sprintf("; did you mean \"%s %s\"?", number, as)
		}
		return nil, "", Fault{Wrong: fmt.Sprintf("%s is a unit of %s, and this takes %s", unitText, u.kind, want), Got: got, Mend: how}
	}
	value.Mul(value, u.factor)
	if offset && u.offset != nil {
		value.Add(value, u.offset)
	}
	return value, unitText, nil
}

// howToWrite returns how a quantity of the kind is written.
func (k Kind) howToWrite() string {
	if k == Number {
		return "write a plain number"
	}
	if u := k.listUnits(); u != "" {
		return "write a number and one of the units " + u
	}
	return ""
}

// split parts the number at the beginning from the unit behind it. The number
// is empty when there is none.
func split(text string) (number, unit string) {
	i, digits := 0, 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	for i < len(text) && isDigit(text[i]) {
		i, digits = i+1, digits+1
	}
	if i < len(text) && text[i] == '.' {
		i++
		for i < len(text) && isDigit(text[i]) {
			i, digits = i+1, digits+1
		}
	}
	if digits == 0 {
		return "", text
	}
	// An exponent needs a digit: "5 e" has none.
	if i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		j := i + 1
		if j < len(text) && (text[j] == '+' || text[j] == '-') {
			j++
		}
		if j < len(text) && isDigit(text[j]) {
			for j < len(text) && isDigit(text[j]) {
				j++
			}
			i = j
		}
	}
	return text[:i], strings.TrimSpace(text[i:])
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// ParseDuration reads a time such as "40 ms" to the nearest nanosecond. The
// error is a Fault without a place.
func ParseDuration(text string) (time.Duration, error) {
	exact, _, err := parseExact(text, Duration, true)
	if err != nil {
		return 0, err
	}
	exact.Mul(exact, rat("1000000000"))
	// Half away from zero: floor(2x+1 / 2) on the absolute value.
	num, den := new(big.Int).Abs(exact.Num()), exact.Denom()
	num.Lsh(num, 1).Add(num, den).Quo(num, new(big.Int).Lsh(den, 1))
	if !num.IsInt64() || num.Int64() == math.MaxInt64 {
		return 0, Fault{Wrong: "is too long a time", Got: document.Quote(text), Mend: "the most is 292 years"}
	}
	d := time.Duration(num.Int64())
	if exact.Sign() < 0 {
		d = -d
	}
	return d, nil
}

// QuantityAt reads the key as a quantity of the kind want; faults stay in the
// document.
func QuantityAt(t *document.Table, key string, want Kind) (Quantity, bool) {
	if !inQuotes(t, key, want) {
		return Quantity{}, false
	}
	return document.Parsed(t, key, func(text string) (Quantity, error) { return ParseQuantity(text, want) })
}

// DurationAt reads the key as a time that is not negative; faults stay in the
// document.
func DurationAt(t *document.Table, key string) (time.Duration, bool) {
	if !inQuotes(t, key, Duration) {
		return 0, false
	}
	return document.Parsed(t, key, func(text string) (time.Duration, error) {
		d, err := ParseDuration(text)
		if err == nil && d < 0 {
			err = Fault{Wrong: "is negative", Got: document.Quote(text), Mend: "write a time of 0 s or more"}
		}
		return d, err
	})
}

// inQuotes reports whether the key is absent or text; a bare value is kept as a
// fault.
func inQuotes(t *document.Table, key string, want Kind) bool {
	v := t.Value(key)
	if _, text := v.(string); text || v == nil {
		return true
	}
	t.Fault(key, "has no unit", document.Show(v), "write it in quotes with one of the units "+want.listUnits())
	return false
}
