package card

import (
	"cmp"
	"strings"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Air is the air at a place: in °C, and in Pa there (not reduced to sea level) or, where
// that is 0, in m above sea level. With Told false nothing of it is known.
type Air struct {
	Celsius, Pressure, Elevation float64
	Told                         bool
}

// ParseAir reads such as "20 °C, 985 hPa" or "68 °F, 1000 ft".
func ParseAir(text string) (a Air, err error) {
	warm, where, found := strings.Cut(text, ",")
	if !found {
		return a, document.Fault{Wrong: "the air is a temperature with the pressure at the pad (not reduced to sea level) or its elevation", Got: document.Quote(text), Mend: `write such as "20 °C, 985 hPa" or "68 °F, 1000 ft"`}
	}
	kind, low, high, to := rules.Pressure, 3e4, 1.2e5, &a.Pressure
	if k, ok := rules.KindOf(where); ok && k == rules.Length {
		kind, low, high, to = k, -500, 9000, &a.Elevation
	}
	t, err := rules.ParseQuantity(warm, rules.Temperature)
	q, wrong := rules.ParseQuantity(where, kind)
	if err = cmp.Or(err, wrong); err == nil && (t.SI < -60 || t.SI > 60 || q.SI < low || q.SI > high) {
		err = document.Fault{Wrong: "no pad has such air", Got: document.Quote(text), Mend: "write from -60 to 60 °C, with 300 to 1200 hPa or -500 to 9000 m"}
	}
	a.Celsius, *to, a.Told = t.SI, q.SI, err == nil
	return a, err
}

func readAir(t *document.Table) Air {
	text, ok := t.String("air")
	a, err := ParseAir(text)
	if ok && err != nil {
		t.Refuse("air", err)
	}
	return a
}
