package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/rules/document"
)

// contradiction returns what rows that stand as starts, as rules that always stop,
// as rules in the air or as rules that stop nothing are to be refused for: by the
// values that each of them leaves.
func contradiction(e *Envelope, values []float64) string {
	left := func(starts int, allowed func(r *Rule) bool) bool {
		for _, v := range values {
			ok := true
			for i := range e.Rules {
				ok = ok && (e.Rules[i].Side(v) != Beyond || !allowed(&e.Rules[i]))
			}
			for i := range e.Permissives[:starts] {
				ok = ok && e.Permissives[i].Holds(v)
			}
			if ok {
				return true
			}
		}
		return false
	}
	all := func(*Rule) bool { return true }
	none := func(*Rule) bool { return false }
	if !left(0, all) {
		return "contradicts the rules above"
	}
	for n := range e.Permissives {
		if !left(n+1, none) {
			return "contradicts the permissives above"
		}
		if !left(n+1, func(r *Rule) bool { return r.While == Always && r.Stop != NoStop }) {
			return "contradicts the rules:"
		}
	}
	return ""
}

// Rows that together forbid every value would make a day on which nothing may
// start, or on which every flight trips. Rows that leave a single value are fine.
// Tried with every set of up to three rows on a number, and of two on a flag.
func TestContradictionIsWhatTheValuesSay(t *testing.T) {
	type row struct {
		form      Form
		low, high float64
		as        int
	}
	const start, always, airborne, silent = 0, 1, 2, 3
	check := func(id ChannelID, values []float64, rows ...row) {
		var e Envelope
		gaps := 0
		for _, r := range rows {
			if r.as == start {
				if r.form == Outside {
					gaps++
				}
				e.Permissives = append(e.Permissives, Permissive{Watch: id, Form: r.form, Limit: r.low, LimitHigh: r.high})
				continue
			}
			rule := Rule{Watch: id, Form: r.form, Limit: r.low, LimitHigh: r.high, Stop: Immediate}
			switch r.as {
			case airborne:
				rule.While = Airborne
			case silent:
				rule.Stop = NoStop
			}
			e.Rules = append(e.Rules, rule)
		}
		if gaps > 1 {
			return // two spans that a start leaves out are not joined
		}
		d := document.Parse("e", nil)
		findContradictions(d, &e)
		got, want := d.Faults(), contradiction(&e, values)
		if len(got) > 1 || (want == "") != (len(got) == 0) || !strings.Contains(got.Error(), want) {
			t.Errorf("%s, %+v: %q, want %q", id, rows, got.Error(), want)
		}
	}
	var values []float64
	for v := -1.0; v <= 7; v += 0.5 {
		values = append(values, v)
	}
	var rows []row
	for _, f := range []row{{form: Above, low: 3}, {form: Above, low: 4}, {form: Below, low: 4}, {form: Below, low: 5}, {form: Outside, low: 3, high: 5}, {form: Outside, low: 1, high: 4}, {form: Is, low: 4}, {form: Is, low: 1}, {form: IsNot, low: 4}, {form: IsNot, low: 1}, {form: IsNot, low: 3}} {
		for f.as = start; f.as <= silent; f.as++ {
			rows = append(rows, f)
		}
	}
	for i, a := range rows {
		for j, b := range rows[i:] {
			check(CraftStatus, values, a, b)
			check(CraftStatus, values, b, a)
			for _, c := range rows[i+j:] {
				check(CraftStatus, values, a, b, c)
			}
		}
	}
	for as := range 64 {
		for v := range 8 {
			check(CraftLanded, []float64{0, 1}, row{Is, float64(v & 1), 0, as & 3}, row{IsNot, float64(v >> 1 & 1), 0, as >> 2 & 3}, row{Is, float64(v >> 2), 0, as >> 4})
		}
	}
	for _, id := range []ChannelID{NoChannel + 1, ChannelCount - 1} {
		check(id, values, row{form: Above, low: 3, as: always}, row{form: Below, low: 5, as: always})
	}
}

// A rate is refused from the one on that would cross the whole range within the
// span of its slope: it could never act, and the row would protect nothing.
func TestRateAtTheEndOfItsReach(t *testing.T) {
	// tether.tension runs from -100 kN to 1000 kN: 1100 kN in 100 ms.
	for rate, want := range map[string]string{"10999 kN/s": "", "11000 kN/s": "can never act", "10000 kN/s": ""} {
		if _, got := row("watch = \"tether.tension\"\nover = \"100 ms\"\nrising_faster = \"" + rate + "\""); (got == "") != (want == "") || !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", rate, got, want)
		}
	}
}

// What a row writes of times and counts is what counts; what it leaves out is the
// channel's own.
func TestRowsOwnTimesAndCounts(t *testing.T) {
	const height = "watch = \"craft.height\"\n"
	for text, want := range map[string]Rule{
		height + "above = \"7 m\"":                                                       {StaleAfter: Height.Stale(), FrozenAfter: Height.Channel().FrozenAfter},
		height + "above = \"7 m\"\nstale_after = \"250 ms\"":                             {StaleAfter: 250 * time.Millisecond, FrozenAfter: Height.Channel().FrozenAfter},
		height + "above = \"7 m\"\nfrozen_after = 77":                                    {StaleAfter: Height.Stale(), FrozenAfter: 77},
		height + "falling_faster = \"2 m/s\"":                                            {StaleAfter: Height.Stale(), FrozenAfter: Height.Channel().FrozenAfter, Over: 10 * Height.Channel().Period},
		height + "falling_faster = \"2 m/s\"\nover = \"1 s\"":                            {StaleAfter: Height.Stale(), FrozenAfter: Height.Channel().FrozenAfter, Over: time.Second},
		"watch = \"craft.roll\"\nabove = \"7 deg\"\nfrozen_after = 0":                    {StaleAfter: Roll.Stale()},
		"watch = \"craft.roll\"\nabove = \"7 deg\"\nfrozen_after = 2\nlasting = \"1 s\"": {StaleAfter: Roll.Stale(), FrozenAfter: 2, Lasting: time.Second},
	} {
		r, fault := row(text)
		if fault != "" || r.StaleAfter != want.StaleAfter || r.FrozenAfter != want.FrozenAfter || r.Over != want.Over || r.Lasting != want.Lasting {
			t.Errorf("%s\nis %+v %s", text, r, fault)
		}
	}
}

// One slip in a file is one fault, at its own key.
func TestOneSlipIsOneFault(t *testing.T) {
	const rule = "version = 1\n[[rule]]\nname = \"r\"\nwatch = \"craft.height\"\nabove = \"7 m\"\nstop = \"none\"\n"
	for text, want := range map[string]string{
		"version = 1\n": "e:1: rule: no [[rule]]: nothing would be limited; write at least one rule",
		"version = 1\n[tether]\nstretch = \"12 % at 5 kg\"\n" + rule[12:]:                                                    "e:3: tether.stretch: kg is a unit of mass, and this takes force (got \"5 kg\"); write a number and one of the units N, kN, kgf or lbf; did you mean \"5 kgf\"?",
		strings.Replace(rule, `"none"`, "\"controlled\"\ngrace = \"2000 min\"", 1):                                           "e:7: rule[1].grace: is longer than an hour (got \"2000 min\"); write a shorter time",
		strings.Replace(rule, `"none"`, "\"controlled\"\ngrace = 5", 1):                                                      "e:7: rule[1].grace: has no unit (got the number 5); write it in quotes with one of the units s, ms, us, min, h or d",
		"version = 1\n[tether]\nlength = 5\n" + rule[12:]:                                                                    "e:3: tether.length: has no unit (got the number 5); write it in quotes with one of the units m, cm, mm, ft or in",
		"version = 1\n[[rule]]\nname = \"r\"\nwatch = \"craft.height\"\nbelow = \"8 m\"\nabove = \"7 m\"\nstop = \"none\"\n": "e:6: rule[1].above: two limits in one row (got above and below); keep one, and give the other a row of its own",
	} {
		if _, faults := ReadEnvelope("e", []byte(text)); faults.Error() != want {
			t.Errorf("%s\nis refused for\n%s\nwant\n%s", text, faults.Error(), want)
		}
	}
}

// The faults of a pad that lacks channels stand in the order of the file, though a
// start may stand above the rules.
func TestCheckFedIsInTheOrderOfTheFile(t *testing.T) {
	e := mustRead(t, "version = 1\n[[permissive]]\nwatch = \"wind.gust3s\"\nbelow = \"5 m/s\"\n[[rule]]\nname = \"r\"\nstop = \"none\"\nwatch = \"craft.height\"\nabove = \"7 m\"\n")
	faults := e.CheckFed("e", nil)
	if len(faults) != 2 || faults[0].Line >= faults[1].Line {
		t.Errorf("%v", faults)
	}
	for id, want := range map[ChannelID]bool{Gust: true, Height: true, Tension: false, NoChannel: false} {
		if e.Watches(id) != want {
			t.Errorf("%s is watched: %v", id, !want)
		}
	}
}

// Where a number has to turn into one with an exponent, and at the digits that
// people see: the shown limit must be the limit.
func TestNumbersAtTheBordersOfTheirForm(t *testing.T) {
	for v, want := range map[float64]string{1e9 - 1: "999999999", 1e9: "1e+09", 1e9 + 1: "1e+09", 1e-6: "0.000001", 0.9e-6: "9e-07", 0.0094567: "0.009457", 0.00094567: "0.0009457", 0.94567: "0.9457"} {
		if got := Format(v, ""); got != want {
			t.Errorf("%v is %q, want %q", v, got, want)
		}
	}
	// No text of 17 digits in this unit gives the value: the nearest one stands.
	for unit, v := range map[string]float64{"%": 28.711264402534596, "kN": 90.51109706664994, "in": 8.5400492763874} {
		k, _ := KindOf("1 " + unit)
		q, err := ParseQuantity(FormatExact(v, unit), k)
		if math.Abs(q.SI/v-1) > 1e-15 || q.SI == v || err != nil {
			t.Errorf("%v is %q, and reads back as %v, %v", v, FormatExact(v, unit), q.SI, err)
		}
	}
	if v, ok := Convert(100, "°F"); v != 212 || !ok {
		t.Errorf("100 °C are %v °F", v)
	}
	if v, ok := Convert(-1e308, "us"); v != 0 || ok {
		t.Errorf("a number past all is %v", v)
	}
	for _, text := range []string{"-1e400", "1e400"} {
		if q, err := ParseQuantity(text, Number); err == nil || !strings.Contains(err.Error(), "too large") {
			t.Errorf("%s is %+v, %v", text, q, err)
		}
	}
	if _, err := ParseQuantity(".e999", Number); err == nil || !strings.Contains(err.Error(), "does not begin with a number") {
		t.Errorf("%v", err)
	}
	if _, err := ParseQuantity("x", Number); err == nil || !strings.Contains(err.Error(), "write a plain number") {
		t.Errorf("%v", err)
	}
	for text, want := range map[string]float64{" true": 1, "false ": 0} {
		if q, err := ParseQuantity(text, Flag); err != nil || q != (Quantity{SI: want, Kind: Flag, Text: text}) {
			t.Errorf("%q is %+v, %v", text, q, err)
		}
	}
	if q, err := ParseQuantity("-0 N", Force); err != nil || math.Signbit(q.SI) {
		t.Errorf("nought is %v, %v", q.SI, err)
	}
	for v, want := range map[time.Duration]time.Duration{0: 0, 1: time.Millisecond, time.Millisecond: time.Millisecond, time.Millisecond + 1: 2 * time.Millisecond} {
		if got := RoundUp(v); got != want {
			t.Errorf("%v is rounded up to %v, want %v", v, got, want)
		}
	}
	if got := (RotorsStanding{Standing: 3}).Evenly(0).Gone; got != 1 {
		t.Errorf("a third of 3 ns is %v", got)
	}
	d := document.Parse("e", []byte("way = \"0.5 m\"\n"))
	if q, ok := NotNegativeAt(d.Root(), "way", Length); !ok || q != 0.5 {
		t.Errorf("%+v, %v", q, ok)
	}
	for id := NoChannel; id < ChannelCount; id++ {
		if want := slices.Contains([]ChannelID{WindSpeed, Gust, Mean2, Mean10, Peak10, Lull10, RotorWind, RotorGust}, id); id.OfWind() != want {
			t.Errorf("%s is of the wind: %v", id, !want)
		}
	}
}

// The units that a sentence names, of every kind: all of a plain kind, those by the
// second of a rate.
func TestUnitsThatASentenceNames(t *testing.T) {
	for k, want := range map[Kind]string{Number.Rate(): "/s or /min", Ratio.Rate(): "%/s or %/min", Force.Rate(): "N/s, kN/s, kgf/s or lbf/s", Power.Rate(): "W/s, kW/s, W/min or kW/min", Angle: "rad or deg", Flag: "", Number: ""} {
		if got := k.listUnits(); got != want {
			t.Errorf("%v: %q, want %q", k, got, want)
		}
	}
	for k, want := range map[Kind]string{Number.Rate(): "/s", Force.Rate(): "N/s", Ratio: "1", Number: "", Flag: ""} {
		if got := SIUnit(k); got != want {
			t.Errorf("the SI unit of %v is %q, want %q", k, got, want)
		}
	}
	for k, want := range map[Kind]string{Number.Rate(): "/s", Force.Rate(): "N/s", Angle: "deg", Number: ""} {
		if got := DefaultUnit(k, "metric"); got != want {
			t.Errorf("the usual unit of %v is %q, want %q", k, got, want)
		}
	}
	defer func() {
		if got := fmt.Sprint(recover()); got != "rules: x is no number" {
			t.Errorf("a slip in a table of this package gave %q", got)
		}
	}()
	rat("x")
}
