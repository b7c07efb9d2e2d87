package card

import (
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// met is everything that the example card asks before "ballast 10".
func met(c *Card) *Facts {
	return &Facts{
		Now: time.Hour, Step: "ballast 10", Packs: []string{"A1"},
		Results:  []Result{{Step: "blade clearance", Passed: true, At: 0}, {Step: "fasteners", Passed: true, At: time.Hour}, {Step: "first power-up", Passed: true}},
		Runs:     []Flown{{Session: "s1", Step: "empty hover", After: 3}},
		Hovers:   []Hovered{{"empty hover", 31, 20 * time.Second}, {"Empty Hover", 31, time.Minute}},
		Forecast: &Forecast{[]string{"s1"}, []Reserve{{Step: "Ballast 10", Mass: 41, Go: true, Numbers: true, Low: 0.2, High: 0.4}}},
		Limits:   &rules.Envelope{Hash: c.Steps[5].EnvelopeHash},
	}
}

func TestUnmetOneByOne(t *testing.T) {
	c := mustRead(t, example(t))
	hover := func(f *Facts) { f.Step, f.HasWind, f.Wind, f.WindAt = "empty hover", true, 3, time.Hour }
	for _, row := range []struct {
		name   string
		change func(*Facts)
		want   []string // some words of each that is asked
	}{
		{"everything met", func(*Facts) {}, nil},
		{"no step", func(f *Facts) { f.Step = "" }, []string{"no step of the test card is declared"}},
		{"a step that the card has not", func(f *Facts) { f.Step = "walk" }, []string{"no step of the test card is declared"}},
		{"not flown", func(f *Facts) { f.Runs = nil }, []string{"empty hover has not flown yet"}}, // and no word of its hover
		{"one trip", func(f *Facts) { f.Runs[0].Trips = 1 }, []string{"the last run of empty hover brought a trip"}},
		{"two trips", func(f *Facts) { f.Runs[0].Trips = 2 }, []string{"brought 2 trips"}},
		{"trips, then none", func(f *Facts) {
			f.Runs = []Flown{{"s1", "empty hover", 2, false, 3, false}, {"s1", "Empty Hover", 0, false, 3, false}, {"s1", "x", 1, false, 3, false}}
		}, nil},
		{"broke off", func(f *Facts) { f.Runs[0].BrokeOff = true }, []string{"broke off without its end on record"}},
		{"no hover in any report", func(f *Facts) { f.Hovers = []Hovered{{"ballast 10", 41, time.Hour}} }, []string{`no report tells of a steady hover at empty hover, and "ballast 10" needs 60 s`}},
		{"too short a hover", func(f *Facts) { f.Hovers = f.Hovers[:1] }, []string{`the longest steady hover at empty hover that a report tells of is 20 s, and "ballast 10" needs 60 s`}},
		{"a hover at another mass", func(f *Facts) { f.Hovers[1].Mass = 29 }, []string{`the longest steady hover at empty hover that a report tells of is 20 s, and "ballast 10" needs 60 s`}},
		{"a forecast for another mass", func(f *Facts) { f.Forecast.Reserves[0].Mass = 38.5 }, []string{"the last report asked for ballast 10 at 38.5 kg, and the card now says 41 kg"}},
		{"no forecast", func(f *Facts) { f.Forecast = nil }, []string{"no report foresees the lift to spare of ballast 10"}},
		{"a flight since the forecast", func(f *Facts) { f.Runs = append(f.Runs, Flown{Session: "s2", Step: "empty hover"}) },
			[]string{"the last report leaves out session s2, which flew empty hover"}},
		{"a forecast of other steps", func(f *Facts) { f.Forecast.Reserves[0].Step = "ballast 20" }, []string{"the last report tells nothing of ballast 10"}},
		{"too little at the low end", func(f *Facts) { f.Forecast.Reserves[0].Low = 0.199 },
			[]string{"gives ballast 10 a lift to spare of 19.9 % to 40 %, and the card wants 20 % at the low end"}},
		{"no numbers", func(f *Facts) { f.Forecast.Reserves[0] = Reserve{Step: "ballast 10", Mass: 41, Says: "fly twice"} }, []string{"cannot tell the lift to spare of ballast 10: fly twice"}},
		{"no go", func(f *Facts) { f.Forecast.Reserves[0].Go, f.Forecast.Reserves[0].Says = false, "the pack sags" }, []string{"gives no go for ballast 10: the pack sags"}},
		{"the step itself flew: nothing is foreseen of it", func(f *Facts) {
			f.Forecast, f.Runs = nil, append(f.Runs, Flown{Session: "s2", Step: "Ballast 10"})
		}, nil},
		{"the step before flew, lighter than the card has it now", func(f *Facts) { f.Runs[0].Lighter = true },
			[]string{"empty hover flew lighter than the card has it now: fly it again"}},
		{"the step itself flew so", func(f *Facts) {
			f.Forecast, f.Runs = nil, append(f.Runs, Flown{Session: "s2", Step: "Ballast 10", Lighter: true})
		}, []string{"no report foresees the lift to spare of ballast 10"}},
		{"an inspection two steps below failed since", func(f *Facts) {
			f.Results = append(f.Results, Result{Step: "blade clearance", Text: "20 mm", At: f.Now})
		}, []string{"blade clearance: 20 mm, wanted at least 40 mm", "first power-up was passed, but blade clearance, which it rests on, failed", "empty hover flew, but blade clearance, which it rests on, failed: fly it again"}},
		{"it failed, and was passed anew since", func(f *Facts) {
			f.Results = append(f.Results, Result{Step: "blade clearance", Text: "20 mm"}, Result{Step: "blade clearance", Passed: true, At: f.Now})
		}, []string{"first power-up was passed, but", "empty hover flew, but"}},
		{"an inspection two steps below has lapsed", func(f *Facts) { f.Now += 24 * time.Hour; f.Results[1].At = f.Now }, []string{"blade clearance has lapsed after 1 d"}},
		{"no packs", func(f *Facts) { f.Packs = nil }, []string{"no pack set is declared"}},
		{"a ground step under limits on the apex", func(f *Facts) { f.Step = "first power-up"; f.Limits.Rules = []rules.Rule{{Watch: rules.Apex}} }, []string{"\"first power-up\" is done on the ground, and the limits enforced watch craft.apex"}},
		{"a flight under limits on the apex", func(f *Facts) { hover(f); f.Limits.Rules = []rules.Rule{{Watch: rules.Apex}} }, nil},
		{"another envelope", func(f *Facts) { f.Limits.Hash[3]++ }, []string{"start it with --envelope heavy.toml"}},

		{"hover, everything met", hover, nil},
		{"hover, other packs", func(f *Facts) { hover(f); f.Packs = []string{"A1", "Z"} }, []string{"pack Z may not fly"}},
		{"hover, no wind", func(f *Facts) { hover(f); f.HasWind = false }, []string{"no wind is declared, and \"empty hover\" allows 10 mph"}},
		{"hover, wind of the pad's own", func(f *Facts) { hover(f); f.HasWind, f.OwnWind = false, true }, nil},
		// 10 mph is 4.4704 m/s by definition.
		{"hover, just the wind", func(f *Facts) { hover(f); f.Wind = 4.4704 }, nil},
		{"hover, too much wind", func(f *Facts) { hover(f); f.Wind = 4.5 }, []string{"is 10.07 mph, and \"empty hover\" allows 10 mph"}},
		{"hover, wind of ten minutes ago", func(f *Facts) { hover(f); f.WindAt = f.Now - WindLasts }, nil},
		{"hover, older wind", func(f *Facts) { hover(f); f.WindAt = f.Now - WindLasts - 1 }, []string{"is older than 10 min"}},
		{"hover, a later failure", func(f *Facts) {
			hover(f)
			f.Results = append(f.Results, Result{Step: "FASTENERS", Text: "fail", At: f.Now})
		}, []string{"fasteners: fail, wanted pass: every bolt at its mark"}},
		{"hover, lapsed", func(f *Facts) { hover(f); f.Results[1].At = f.Now - 12*time.Minute - 1 }, []string{"fasteners has lapsed after 12 min"}},
		{"hover, as old as may be", func(f *Facts) { hover(f); f.Results[1].At = f.Now - 12*time.Minute }, nil},
		// A ground step without "lasts" counts for good.
		{"hover, old ground step", func(f *Facts) { hover(f); f.Results[2].At = -1e6 * time.Second }, nil},
		{"hover, an inspection below failed before the ground step was passed", func(f *Facts) {
			hover(f)
			f.Results[0] = Result{Step: "blade clearance", Text: "20 mm"}
		}, []string{"blade clearance: 20 mm", "first power-up was passed, but blade clearance, which it rests on, failed"}},
		{"hover, nothing told", func(f *Facts) { hover(f); f.Results = nil }, []string{"blade clearance is not told yet", "fasteners is not told yet", "first power-up is not told yet"}},
	} {
		f := met(c)
		row.change(f)
		got, _ := c.Unmet(f)
		ok := len(got) == len(row.want)
		for i := range row.want {
			ok = ok && strings.Contains(got[i], row.want[i])
		}
		if !ok {
			t.Errorf("%s: %q, want %q", row.name, got, row.want)
		}
	}
}

// The instant that Unmet names is the first at which more is asked: at it the
// answer has changed, and a nanosecond before it has not.
func TestUnmetNamesTheNextInstant(t *testing.T) {
	c := mustRead(t, example(t))
	f := met(c)
	f.Step, f.HasWind, f.Wind, f.WindAt = "empty hover", true, 3, 55*time.Minute
	for range 3 { // the wind lapses first, then two inspections
		before, next := c.Unmet(f)
		if next <= f.Now || next == rules.Never {
			t.Fatalf("next is %v at %v, with %q", next, f.Now, before)
		}
		f.Now = next - 1
		if same, _ := c.Unmet(f); len(same) != len(before) {
			t.Errorf("a nanosecond before %v more is asked: %q", next, same)
		}
		f.Now = next
		if more, _ := c.Unmet(f); len(more) != len(before)+1 {
			t.Errorf("at %v is asked: %q, before %q", next, more, before)
		}
	}
	if _, next := c.Unmet(f); next != rules.Never {
		t.Errorf("with everything lapsed there is still an instant: %v", next)
	}
}
