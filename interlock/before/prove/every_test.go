package prove

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"downhaul/rules"
)

// calm is where a channel is on a calm day, and how far off a limit may well be.
func calm(id rules.ChannelID) (at, off float64) {
	at = usual(id)
	switch id {
	case rules.LinkLag, rules.LinkAge:
		return 0, 0.3
	case rules.LinkLoss:
		return 0, 0.2
	case rules.Height:
		at = 2
	case rules.Apex:
		at = 3.5
	case rules.Distance:
		at = 2
	case rules.SlantRange:
		at = 4
	case rules.Sway:
		return 0, 2
	case rules.Tilt:
		return 0, 0.5
	case rules.MotorHighest, rules.MotorHeadroom:
		at = 0.5
	case rules.MotorSpread:
		return 0, 0.3
	case rules.RotorSpeed:
		at = 40
	case rules.TensionRate:
		return 0, 3000
	case rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10, rules.RotorWind, rules.RotorGust:
		at = 4
	case rules.PackMeanCell:
		at = 4
	case rules.PackResistance:
		at = 0.03
	case rules.PackResting:
		at = 48.6
	case rules.PackToFloor:
		return 600, 500
	case rules.LiftReserve:
		return 3, 1
	case rules.CraftUTC, rules.CraftBootClock:
		return at, 100
	}
	kind := id.Channel().Kind
	switch {
	case kind == rules.Number:
		off = 2
	case kind == rules.Voltage && at > 3 && at < 5:
		off = 0.3
	case at == 0:
		off = 0.5
	default:
		off = 0.3 * math.Abs(at)
	}
	return at, off
}

// forms are the limits of a channel in each form that it can have, as rows of an
// envelope.
func forms(id rules.ChannelID) map[string]string {
	c := id.Channel()
	at, off := calm(id)
	if c.Kind == rules.Flag {
		other := id == rules.CraftLanded
		return map[string]string{"is": fmt.Sprintf("is = %v", other), "is_not": fmt.Sprintf("is_not = %v", !other)}
	}
	unit := func(kind rules.Kind, v float64) string {
		if kind == rules.Number {
			return fmt.Sprintf("%g", math.Round(v))
		}
		return fmt.Sprintf("%q", strings.TrimSpace(fmt.Sprintf("%g %s", v, rules.SIUnit(kind))))
	}
	if c.Kind == rules.Ratio {
		unit = func(kind rules.Kind, v float64) string {
			u := " %"
			if kind != rules.Ratio {
				u += "/s"
			}
			return fmt.Sprintf("\"%g%s\"", 100*v, u)
		}
	}
	out := map[string]string{
		"above":   "above = " + unit(c.Kind, at+off),
		"below":   "below = " + unit(c.Kind, at-off),
		"outside": "outside = [" + unit(c.Kind, at-off) + ", " + unit(c.Kind, at+off) + "]",
	}
	if c.Kind == rules.Number {
		out["is"] = "is = " + unit(c.Kind, at+off)
		out["is_not"] = "is_not = " + unit(c.Kind, at)
	}
	if rate := c.Kind.Rate(); rate != 0 {
		// Within half the range in the span of a few samples.
		per := off / math.Max(0.5, 10*c.Period.Seconds())
		if id == rules.CraftUTC {
			per = 5
		}
		if c.Kind == rules.Number {
			out["rising_faster"], out["falling_faster"] = fmt.Sprintf("rising_faster = \"%g /s\"", per), fmt.Sprintf("falling_faster = \"%g /s\"", per)
		} else {
			out["rising_faster"], out["falling_faster"] = "rising_faster = "+unit(rate, per), "falling_faster = "+unit(rate, per)
		}
	}
	return out
}

// stopsTried are the kinds of stop that each form is proved with.
var stopsTried = []struct{ name, rows string }{
	{"immediate", now},
	{"controlled, lasting", soon + "\nlasting = \"2 s\""},
	{"none", "stop = \"none\""},
	{"immediate, airborne", now + "\nwhile = \"airborne\""},
	{"controlled, missing cautions", soon + "\nwhen_missing = \"caution\""},
}

// likeAnother reports whether a channel is one of many of a kind, of which the first
// is tried, or that minutes pass in it.
func likeAnother(id rules.ChannelID) bool {
	switch id {
	case rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10:
		return true
	}
	return id > rules.Motor1Output && id <= rules.Motor16Output || id > rules.Motor1Speed && id <= rules.Motor16Speed ||
		id >= rules.Pack2Voltage && id <= rules.Pack4CellSpread || id > rules.Told1 && id <= rules.Told8
}

const notProvenFile = "testdata/not-proven.txt"

// Every channel in every form and with every kind of stop is proved in a core of
// its own, or it stands in a list why it is not; nothing of a right core fails.
// A fortieth is tried each time. With DOWNHAUL_EVERY=1 all are, and with
// DOWNHAUL_EVERY=write the list is written anew.
func TestEveryFormOnEveryChannelIsProvedOrListed(t *testing.T) {
	padText, err := os.ReadFile(provingPad)
	must(t, err)
	mode := os.Getenv("DOWNHAUL_EVERY")
	text, err := os.ReadFile(notProvenFile)
	if mode != "write" {
		must(t, err)
	}
	listed := map[string]bool{}
	for _, line := range strings.Split(string(text), "\n") {
		listed[line] = true
	}
	var lines []string
	tried, proved := 0, 0
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if likeAnother(id) {
			continue
		}
		rows := forms(id)
		for k, form := range slices.Sorted(maps.Keys(rows)) {
			for n, stop := range stopsTried {
				if mode == "" && (int(id)+k)%40 != 8*n {
					continue
				}
				name := id.String() + ", " + form + ", " + stop.name
				text := []byte("version = 1\ntitle = \"x\"\n" + wideRule("x", id.String(), rows[form], stop.rows))
				if _, faults := rules.ReadEnvelope("e", text); len(faults) > 0 {
					continue // no such rule can be written
				}
				s := setupOf(t, text, padText)
				s.only = func(rule string) bool { return rule == "x" }
				r, own := wholly(t, s)
				for _, f := range faults(r, own...) {
					t.Errorf("%s: %s", name, f)
				}
				for _, row := range r.Rules {
					tried++
					if row.Outcome != NotProven {
						proved++
						continue
					}
					line := name + ", " + row.Side + ": " + row.Why
					lines = append(lines, line)
					if row.Why == "" || mode != "write" && !listed[line] {
						t.Errorf("not proven, and not in %s: %s", notProvenFile, line)
					}
				}
			}
		}
	}
	t.Logf("%d sides of rules tried, %d proved, %d listed", tried, proved, len(lines))
	switch mode {
	case "write":
		must(t, os.WriteFile(notProvenFile, []byte(strings.Join(lines, "\n")+"\n"), 0o644))
	case "1":
		if len(lines) != len(listed)-1 {
			t.Errorf("%s has %d lines, and %d are not proven", notProvenFile, len(listed)-1, len(lines))
		}
	}
	if proved < tried*6/10 {
		t.Errorf("only %d of %d were proved", proved, tried)
	}
}
