package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/rules/document"
)

// row reads an envelope of one rule, and returns it or what it is refused for.
func row(text string) (Rule, string) {
	e, faults := ReadEnvelope("e", []byte("version = 1\n[[rule]]\nname = \"r\"\nstop = \"none\"\n"+text))
	if len(faults) > 0 {
		return Rule{}, faults.Error()
	}
	return e.Rules[0], ""
}

// A limit can act if some value of the channel is past it, and would always act
// if every one is: tried with the values at which that can turn. For a start the
// same with what lets the craft start.
func TestReachIsWhatTheValuesSay(t *testing.T) {
	const low, high = 0, 255 // craft.status
	limits := []float64{-2, -1, 0, 1, 254, 255, 256, 257}
	for _, f := range startForms {
		for _, a := range limits {
			for _, b := range limits {
				if f.form == Outside && a >= b || f.form != Outside && b != limits[0] {
					continue
				}
				r, p := Rule{Form: f.form, Limit: a, LimitHigh: b}, Permissive{Form: f.form, Limit: a, LimitHigh: b}
				acts, spares, starts, bars := 0, 0, 0, 0
				for _, x := range []float64{low, high, a, b} {
					for _, v := range []float64{math.Nextafter(x, -1e9), x, math.Nextafter(x, 1e9)} {
						if v < low || v > high {
							continue
						}
						if r.Side(v) == Beyond {
							acts++
						} else {
							spares++
						}
						if p.Holds(v) {
							starts++
						} else {
							bars++
						}
					}
				}
				text := fmt.Sprintf("%s = %v\n", f.key, a)
				if f.form == Outside {
					text = fmt.Sprintf("%s = [%v, %v]\n", f.key, a, b)
				}
				want := map[bool]string{acts == 0: "can never act", spares == 0: "would always act"}[true]
				_, got := row("watch = \"craft.status\"\n" + text)
				if (want == "") != (got == "") || !strings.Contains(got, want) {
					t.Errorf("a rule %q: %q, want %q", text, got, want)
				}
				if f.form == Outside && a <= low && b >= high {
					starts = 0 // at the very ends of the range alone is never
				}
				want = map[bool]string{starts == 0: "never allowed", bars == 0: "always holds"}[true]
				_, faults := ReadEnvelope("e", []byte("version = 1\n[[rule]]\nname = \"r\"\nstop = \"none\"\nwatch = \"craft.landed\"\nis = true\n[[permissive]]\nwatch = \"craft.status\"\n"+text))
				if got := faults.Error(); (want == "") != (len(faults) == 0) || !strings.Contains(got, want) {
					t.Errorf("a start %q: %q, want %q", text, got, want)
				}
			}
		}
	}
}

// What a rule may say just so, and what is just too much.
func TestRuleAtItsBounds(t *testing.T) {
	for text, want := range map[string]string{ // what it is refused for, "" for nothing
		"watch = \"craft.height\"\nabove = \"7 m\"\nlasting = \"60 min\"":                              "",
		"watch = \"craft.height\"\nabove = \"7 m\"\nlasting = \"3601 s\"":                              "longer than an hour",
		"watch = \"craft.height\"\nabove = \"7 m\"\ndeadband = \"0 m\"":                                "",
		"watch = \"craft.height\"\nabove = \"7 m\"\nstale_after = \"250 ms\"":                          "",
		"watch = \"craft.height\"\nabove = \"7 m\"\nfrozen_after = 2":                                  "",
		"watch = \"craft.height\"\nabove = \"7 m\"\nfrozen_after = 1000000":                            "",
		"watch = \"craft.landed\"\nis = true\nfrozen_after = 0":                                        "",
		"watch = \"craft.landed\"\nis = true\nfrozen_after = 2":                                        "stays the same all day",
		"watch = \"tether.tension\"\nrising_faster = \"0.5 N/s\"":                                      "",
		"watch = \"tether.tension\"\nrising_faster = \"0.5 N/s\"\ncaution = \"0.25 N/s\"":              "",
		"watch = \"craft.status\"\nabove = 4\ndeadband = 4":                                            "",
		"watch = \"craft.status\"\nabove = 4\ndeadband = 5":                                            "could never be over",
		"watch = \"craft.status\"\nbelow = 250\ndeadband = 5":                                          "",
		"watch = \"craft.status\"\nbelow = 250\ndeadband = 6":                                          "could never be over",
		"watch = \"craft.status\"\noutside = [4, 10]\ndeadband = 2.5":                                  "",
		"watch = \"craft.status\"\noutside = [4, 10]\ndeadband = 3":                                    "nothing inside the limits is left",
		"watch = \"craft.status\"\noutside = [4, 10]\ncaution = [5, 8]\ndeadband = 1":                  "",
		"watch = \"craft.status\"\noutside = [4, 10]\ncaution = [6, 9]\ndeadband = 1.5":                "reaches past the caution",
		"watch = \"craft.status\"\noutside = [4, 10]\ncaution = [5, 10]":                               "not inside the limit",
		"watch = \"craft.status\"\noutside = [4, 10]\ncaution = [4, 9]":                                "not inside the limit",
		"watch = \"craft.status\"\noutside = [4, 4]":                                                   "must be less than the high one",
		"watch = \"craft.status\"\noutside = 4":                                                        "write outside = [1, 5]",
		"watch = \"craft.status\"\nabove = 4\ncaution = 4":                                             "write it below 4",
		"watch = \"craft.status\"\nbelow = 4\ncaution = 4":                                             "write it above 4",
		"watch = \"craft.height\"\nfalling_faster = \"2 m/s\"\ncaution = \"2 m/s\"\nover = \"500 ms\"": "write it below 2 m/s",
	} {
		_, got := row(text)
		if (got == "") != (want == "") || !strings.Contains(got, want) {
			t.Errorf("%s\nis refused for %q, want %q", text, got, want)
		}
	}
	// One slip is one fault: the rest of the row is not held against it.
	for _, text := range []string{"watch = \"craft.status\"\nabove = \"4\"\ncaution = 3", "watch = \"craft.landed\"\nis = \"true\"\ncaution = 1"} {
		if _, got := row(text); got == "" || strings.Contains(got, "\n") {
			t.Errorf("%s: %s", text, got)
		}
	}
}

// A rule that says in so many words that a missing channel trips is as one that
// leaves it out.
func TestMissingTripsWhenWritten(t *testing.T) {
	for text, want := range map[string]WhenMissing{"": MissingTrips, "when_missing = \"trip\"": MissingTrips, "when_missing = \"caution\"": MissingCautions} {
		r, fault := row("watch = \"craft.height\"\nabove = \"7 m\"\n" + text)
		if fault != "" || r.WhenMissing != want {
			t.Errorf("%q: %v %s", text, r.WhenMissing, fault)
		}
	}
}

// Without a deadband of its own a rule gets 2 % of its limit, of the span for
// outside; never more than the way to the caution; none where values are counts.
func TestUsualDeadband(t *testing.T) {
	for text, want := range map[string]float64{
		"watch = \"craft.height\"\nabove = \"50 m\"":                                                1,
		"watch = \"craft.height\"\nbelow = \"-50 m\"":                                               1,
		"watch = \"craft.height\"\nabove = \"50 m\"\ncaution = \"49.5 m\"":                          0.5,
		"watch = \"craft.height\"\noutside = [\"10 m\", \"60 m\"]":                                  1,
		"watch = \"craft.height\"\noutside = [\"-10 m\", \"40 m\"]":                                 1,
		"watch = \"craft.height\"\noutside = [\"0 m\", \"50 m\"]\ncaution = [\"0.5 m\", \"49 m\"]":  0.5,
		"watch = \"craft.height\"\noutside = [\"0 m\", \"50 m\"]\ncaution = [\"1 m\", \"49.75 m\"]": 0.25,
		"watch = \"craft.status\"\nabove = 50":                                                      0,
		"watch = \"craft.landed\"\nis = true":                                                       0,
	} {
		r, fault := row(text)
		if fault != "" || math.Abs(r.Deadband-want) > 1e-12 {
			t.Errorf("%s\nhas a deadband of %v, want %v %s", text, r.Deadband, want, fault)
		}
	}
}

// A small tether is a tether: what must be more than 0 may be less than 1.
func TestPositiveAndNotNegative(t *testing.T) {
	tether := func(lines string) (*Envelope, Faults) {
		return ReadEnvelope("e", []byte("version = 1\n[tether]\n"+lines+"\n[[rule]]\nname = \"r\"\nstop = \"none\"\nwatch = \"craft.landed\"\nis = true\n"))
	}
	e, faults := tether("breaking_strength = \"0.5 N\"\ndesign_factor = 1\nlength = \"0.25 m\"\nstretch = \"0.5 % at 0.5 N\"\nknot = \"100 %\"\nage = \"0.5 %\"")
	if len(faults) > 0 || e.Tether != (Tether{BreakingStrength: 0.5, DesignFactor: 1, Length: 0.25, Knot: 1, Age: 0.005, Slow: Stretch{0.005, 0.5}}) {
		t.Errorf("%v: %+v", faults, e)
	}
	for text, want := range map[string]string{
		"knot = \"101 %\"": "more than all", "design_factor = 0.999": "1 or more", "stretch = \"0 % at 1 N\"": "more than 0 %", "stretch = \"1 % at 0 N\"": "more than 0 %",
	} {
		if _, faults := tether(text); !strings.Contains(faults.Error(), want) {
			t.Errorf("%s: %v", text, faults)
		}
	}
	for text, want := range map[string][2]bool{"-0.5 m": {false, false}, "0 m": {false, true}, "0.5 m": {true, true}, "2 m": {true, true}} {
		for i, at := range []func(*document.Table, string, Kind) (float64, bool){PositiveAt, NotNegativeAt} {
			d := document.Parse("f", []byte("way = \""+text+"\"\n"))
			q, ok := at(d.Root(), "way", Length)
			if ok != want[i] || (len(d.Faults()) == 0) != want[i] || !ok && q != 0 {
				t.Errorf("%s (%d): %+v, %v, %v", text, i, q, ok, d.Faults())
			}
		}
	}
}

// Numbers end where their text ends; only a rate by the second or the minute is
// a unit.
func TestQuantityAtItsEnd(t *testing.T) {
	for text, want := range map[string]float64{"5e3": 5000, "5e+3": 5000, "5E-1": 0.5, "5.": 5, ".5": 0.5, "+7": 7, "-7": -7} {
		if q, err := ParseQuantity(text, Number); err != nil || q.SI != want {
			t.Errorf("%q: %+v, %v", text, q, err)
		}
	}
	for _, text := range []string{"5e", "5e+", "5e-", "+", "-", ".", "e5", ""} {
		if q, err := ParseQuantity(text, Number); err == nil {
			t.Errorf("%q was read as %+v", text, q)
		}
	}
	for text, want := range map[string]Kind{
		"40 mm": Length, "5 %": Ratio, "5 N/s": Force.Rate(), "60 N/min": Force.Rate(), "5 m/s": Speed, "5 m/s/s": Acceleration, "3 /s": Number.Rate(), "3 /min": Number.Rate(),
		"5 N/h": 0, "5 parsec/s": 0, "5 N/s/s": 0, "5 1": 0, "5": 0, "mm": 0, "": 0, "5 parsec": 0,
	} {
		if k, ok := KindOf(text); k != want || ok != (want != 0) {
			t.Errorf("%q is a %v (%v), want %v", text, k, ok, want)
		}
	}
	if q, err := ParseQuantity("0."+strings.Repeat("1", longestNumber-2), Number); err != nil || q.SI != 1.0/9 {
		t.Errorf("the longest number: %+v, %v", q, err)
	}
	if q, err := ParseQuantity("0."+strings.Repeat("1", longestNumber-1), Number); err == nil {
		t.Errorf("a longer one was read as %+v", q)
	}
	if v, ok := Convert(2, "N/min"); v != 120 || !ok {
		t.Errorf("2 N/s is %v N/min", v)
	}
}

// Where there is nothing to say, the value is 0, and the text says so.
func TestConvertRefusesWithZero(t *testing.T) {
	for _, c := range []struct {
		si   float64
		unit string
	}{{math.NaN(), "N"}, {math.Inf(1), ""}, {math.Inf(-1), "kN"}, {1, "parsec"}, {1, "N/h"}, {1e308, "us"}} {
		if v, ok := Convert(c.si, c.unit); v != 0 || ok {
			t.Errorf("%v in %s is %v, %v", c.si, c.unit, v, ok)
		}
	}
	if v, ok := Convert(-math.SmallestNonzeroFloat64, "kN"); v != 0 || math.Signbit(v) || !ok {
		t.Errorf("too small a value in kN is %v, %v", v, ok)
	}
	for _, c := range []struct {
		si         float64
		unit, want string
	}{{math.NaN(), "N", "no value"}, {5, "parsec", "5"}, {0.8, "1", "0.8 1"}, {2.5, "", "2.5"}} {
		if got := FormatExact(c.si, c.unit); got != c.want {
			t.Errorf("%v in %q is %q, want %q", c.si, c.unit, got, c.want)
		}
	}
}

// Four digits, whatever the size: against what strconv gives for as many
// significant digits.
func TestFourDigits(t *testing.T) {
	for _, v := range []float64{0.000012345678, 0.00012345678, 0.0012345678, 0.012345678, 0.12345678, 1.2345678, 12.345678, 123.45678, 1234.5678, 0.1, 0.01, 1, 10, 0.099996, 0.99996} {
		four, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := Format(v, ""), strconv.FormatFloat(four, 'f', -1, 64); got != want {
			t.Errorf("%v is %q, want %q", v, got, want)
		}
		if got, want := Format(-v, ""), "-"+strconv.FormatFloat(four, 'f', -1, 64); got != want {
			t.Errorf("%v is %q, want %q", -v, got, want)
		}
	}
}

// Every word that a screen takes from here is there, and says one thing.
func TestEveryWord(t *testing.T) {
	var said []string
	for c := NeverHeard; int(c) < len(causeText); c++ {
		said = append(said, c.String())
	}
	for k := Flag; k < kindCount; k++ {
		said = append(said, k.String())
	}
	for o := NotFed; o <= CraftSays; o++ {
		said = append(said, o.String())
	}
	for s := Inside; s <= Beyond; s++ {
		said = append(said, s.String())
	}
	for s := NoStop; s <= Immediate; s++ {
		said = append(said, s.String())
	}
	for _, g := range []ThrustGone{{Traced: true}, {Measured: true}, {}} {
		said = append(said, g.Says())
	}
	said = append(said, RotorsStanding{Measured: true}.Says(), Kind(0).String(), Cause(len(causeText)).String())
	slices.Sort(said)
	for i, s := range said {
		if s == "" || i > 0 && s == said[i-1] {
			t.Errorf("%q is said twice, or nothing", s)
		}
	}
	if got := NoCause.String(); got != "" {
		t.Errorf("no cause is %q", got)
	}
	if got := (RotorsStanding{}).Says(); got != (ThrustGone{}).Says() {
		t.Errorf("stated alike, said otherwise: %q", got)
	}
	if k := kindCount; k.String() != Kind(0).String() {
		t.Errorf("past the kinds: %v", k)
	}
	for want, d := range map[string]time.Duration{"30 min": 30 * time.Minute, "60 s": time.Minute, "1 d": 24 * time.Hour, "11 d": 264 * time.Hour, "1500 min": 25 * time.Hour, "1 ms": time.Millisecond, "1 s": time.Second} {
		if got := FormatDuration(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}

// What a start asks for, as it is read aloud.
func TestConditionOfAStart(t *testing.T) {
	for want, p := range map[string]Permissive{
		"craft.status must be 3 or more":        {Watch: CraftStatus, Form: Above, Limit: 3},
		"craft.status must be 3 or less":        {Watch: CraftStatus, Form: Below, Limit: 3},
		"craft.status must be outside 3 to 5":   {Watch: CraftStatus, Form: Outside, Limit: 3, LimitHigh: 5},
		"craft.status must not be 3":            {Watch: CraftStatus, Form: IsNot, Limit: 3},
		"craft must be landed":                  {Watch: CraftLanded, Form: Is, Limit: 1},
		"craft must not be armed":               {Watch: CraftArmed, Form: IsNot, Limit: 1},
		"wind.peak10min must be 15 mph or less": {Watch: Peak10, Form: Below, Limit: 15 * 0.44704, Unit: "mph"},
	} {
		if got := p.Condition(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestNeverIsPastEveryInstant(t *testing.T) {
	if d := Never; d != math.MaxInt64 {
		t.Errorf("never is %v", d)
	}
}

// Past the end of the catalogue there is nothing, and nothing falls over.
func TestPastTheCatalogue(t *testing.T) {
	for id := ChannelID(0); id < ChannelCount+2; id++ {
		c := id.Channel()
		if (c == Channel{}) != (id == NoChannel || id >= ChannelCount) || c.Stale != id.Stale() {
			t.Errorf("%d: %+v, stale %v", id, c, id.Stale())
		}
		if id >= ChannelCount && (id.Plausible(0) || id.String() != "") {
			t.Errorf("%d is plausible", id)
		}
		if c.Name == "" {
			continue
		}
		for v, want := range map[float64]bool{c.Low: true, c.High: true, math.Nextafter(c.Low, -1e300): false, math.Nextafter(c.High, 1e300): false, math.NaN(): false} {
			if id.Plausible(v) != want {
				t.Errorf("%s at %v is plausible: %v", c.Name, v, !want)
			}
		}
		if got, ok := Lookup(c.Name); !ok || got != c {
			t.Errorf("%s is not found by its name", c.Name)
		}
	}
}

func TestAbsentSaysWhy(t *testing.T) {
	e := mustRead(t, example(t, "small.toml"))
	if a, ok := e.Absent(CraftWind); !ok || a.Channel != CraftWind || a.Reason != "the autopilot does not estimate it" || a.Line != 56 {
		t.Errorf("%+v, %v", a, ok)
	}
	if a, ok := e.Absent(Tension); ok || a != (Absence{}) {
		t.Errorf("%+v, %v", a, ok)
	}
}
