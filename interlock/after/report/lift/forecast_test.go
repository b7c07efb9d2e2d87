package lift

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"downhaul/interlock/model/recipe"
)

// reserveOf is the true reserve on paper at the end of the hover time.
func (c paper) reserveOf(mass, seconds float64) float64 {
	_, amps, _ := c.hover(mass*Gravity, 1.225, c.source)
	return c.most(1.225, c.source-c.fall*amps*seconds)/(mass*Gravity) - 1
}

func TestVerdictsOfAKnownCraft(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	f := ask(runs, c.craft(), 80, 130)
	if f.Refused != "" {
		t.Fatal(f.Refused)
	}
	for i, s := range f.Next {
		if real := c.reserveOf(s.Mass, 60); real < s.Reserve.Low || real > s.Reserve.High {
			t.Errorf("step %d: reserve %+v, and it is %.3f", i, s.Reserve, real)
		}
	}
	light, heavy := f.Next[0], f.Next[1]
	if light.Verdict != Go || !light.Shown || f.Verdict != Go {
		t.Errorf("80 kg: %s: %s (reserve %+v)", light.Verdict, light.Reason, light.Reserve)
	}
	if heavy.Verdict != NotYet && heavy.Verdict != No || heavy.Take == nil || !(heavy.Take.MassOff > 0) || !(heavy.Take.MorePerMotor > 0) {
		t.Errorf("130 kg: %s: %s, %+v", heavy.Verdict, heavy.Reason, heavy.Take)
	}
	// What it would take, taken, brings the reserve at the low end, no more and no
	// less.
	at := ask(runs, c.craft(), heavy.Take.LargestMass)
	near(t, "low end of the reserve at the largest mass", at.Next[0].Reserve.Low, recipe.Reserve, 0.02)
}

func TestSameDataSameForecast(t *testing.T) {
	c := newPaper()
	one, _ := json.Marshal(ask(c.day(60, 66, 72, 78), c.craft(), 80))
	two, _ := json.Marshal(ask(c.day(60, 66, 72, 78), c.craft(), 80))
	if string(one) != string(two) {
		t.Error("the same data gave two forecasts")
	}
	for _, key := range []string{`"schema_version":1`, `"verdict":"go"`, `"reserve_share":`, `"lift_n":`, `"student_t":`, `"cannot_see":`, `"degrees_of_freedom":`} {
		if !strings.Contains(string(one), key) {
			t.Errorf("the JSON holds no %s", key)
		}
	}
}

// What the data cannot carry is refused, with the flight that would settle it.
func TestRefusals(t *testing.T) {
	c := newPaper()
	none := func(r Run) Run { r.Current = Series{}; return r }
	for _, x := range []struct {
		name  string
		runs  []Run
		says  string
		ready string // what would settle it
	}{
		{"nothing", nil, "no steady hover", "hover for 60 s"},
		{"a hover too short", []Run{c.fly(flight{mass: 60, seconds: 3})}, "no steady hover", "hover for 60 s"},
		{"one step only", c.day(60, 60.2, 60.1, 60)[1:], "one load", "8 % away"},
		{"two hovers", []Run{c.fly(flight{mass: 60, seconds: 30}), c.fly(flight{mass: 70, seconds: 30})}, "no degree of freedom", "hover again"},
		{"no current", []Run{none(c.day(60)[0]), none(c.day(70)[0]), none(c.day(80)[0])}, "no pack current", "voltage and current together"},
		{"attempts only", []Run{c.fly(flight{mass: 160, seconds: 3, down: true})}, "stayed on the ground", "ballast off"},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := ask(x.runs, c.craft(), 85)
			s := f.Next[0]
			if !strings.Contains(f.Refused, x.says) || !strings.Contains(f.Settle, x.ready) {
				t.Errorf("refused %q, to settle %q", f.Refused, f.Settle)
			}
			if s.Verdict != NotYet || s.Numbers || s.Reason != f.Refused || s.Lift != (Estimate{}) {
				t.Errorf("the step: %s %q, %+v", s.Verdict, s.Reason, s.Lift)
			}
		})
	}
}

// A go needs all of it: each thing taken away or made worse ends it.
func TestWhatKeepsAStepFromGo(t *testing.T) {
	c := newPaper()
	plain := c.day(60, 66, 72, 78)
	base := func() Question {
		return Question{Craft: c.craft(), Floor: 46, HoverTime: 60, Next: []Step{{Mass: 80}}}
	}
	noPull := c.day(60, 66, 72, 78)
	noPull[0] = c.fly(flight{mass: 60, seconds: 60, seed: 1, air: noPull[1].Air})
	for _, x := range []struct {
		name   string
		runs   []Run
		change func(*Question)
		want   Verdict
		says   string
	}{
		{"as it is", plain, func(*Question) {}, Go, "reserve"},
		{"full output never shown", noPull, func(*Question) {}, NotYet, "was seen to carry"},
		{"more reserve than there is", plain, func(q *Question) { q.Reserve = 1.5 }, No, "at best"},
		{"a step far beyond the last", plain, func(q *Question) { q.Reserve = 0.1; q.Next[0].Mass = 220 }, NotYet, "heavier than anything"},
		{"a floor above the loaded pack", plain, func(q *Question) { q.Floor = 57 }, No, "floor"},
		{"a hover longer than any", plain, func(q *Question) { q.HoverTime = 150; q.Floor = 40 }, NotYet, "never drawn"},
		{"an emptier pack", plain, func(q *Question) { q.Resting = 48; q.Floor = 0 }, No, "at best"},
		{"an unknown mass", plain, func(q *Question) { q.Next[0].Mass = 0 }, NotYet, "mass is not known"},
	} {
		t.Run(x.name, func(t *testing.T) {
			q := base()
			x.change(&q)
			s := Ask(x.runs, q).Next[0]
			if s.Verdict != x.want || !strings.Contains(s.Reason, x.says) {
				t.Errorf("%s: %s (to settle: %s)", s.Verdict, s.Reason, s.Settle)
			}
		})
	}
}

// An attempt at full output that stayed on the ground is a no for its mass, and
// bounds the lift for every other.
func TestAttemptIsEvidence(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	heavy := c.fly(flight{mass: 140, seconds: 3, down: true, air: runs[0].Air})
	f := ask(append(runs, heavy), c.craft(), 140, 80)
	if s := f.Next[0]; s.Verdict != No || !strings.Contains(s.Reason, "did not lift 140 kg") {
		t.Errorf("140 kg: %s: %s", s.Verdict, s.Reason)
	}
	if s := f.Next[1]; !s.Numbers {
		t.Errorf("80 kg: no numbers: %s", s.Reason)
	}
	// Hovers that say it should have lifted half as much again contradict it.
	wrong := c.fly(flight{mass: 90, seconds: 3, down: true, air: runs[0].Air})
	f = ask(append(runs, wrong), c.craft(), 80)
	if s := f.Next[0]; s.Verdict != NotYet || !strings.Contains(s.Reason, "should have lifted") {
		t.Errorf("80 kg beside a contradiction: %s: %s", s.Verdict, s.Reason)
	}
}

// Lift is never forecast beyond what a motor ran clean at on the stand.
func TestLiftIsBoundedByTheStand(t *testing.T) {
	c := newPaper()
	craft := c.craft()
	craft.CleanThrust = 100
	s := ask(c.day(60, 66, 72, 78), craft, 80).Next[0]
	near(t, "most lift of eight motors of 100 N", s.Lift.High, 800, 0.01)
	if s.Verdict == Go {
		t.Errorf("%s: %s", s.Verdict, s.Reason)
	}
}

// Without a load cell a pull at the tether looks like a hover that takes all it
// has. It is left out, and the forecast stays that of the others.
func TestTautTetherWithoutLoadCell(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	runs[0] = c.fly(flight{mass: 60, seconds: 60, pull: true, pullSeconds: 8, seed: 1, air: runs[1].Air})
	for i := range runs {
		runs[i].Tension, runs[i].Slant = Series{}, Series{}
	}
	f := ask(runs, c.craft(), 80)
	if len(f.Points) != 4 || !strings.Contains(strings.Join(f.Unused, ";"), "taut tether") {
		t.Errorf("%d points, left out: %q", len(f.Points), f.Unused)
	}
	if s := f.Next[0]; !s.Numbers || s.Output.High-s.Output.Low > 0.1 {
		t.Errorf("output %+v: %s", s.Output, s.Reason)
	}
}

// A forecast beyond every load says what it assumes there and that it errs high; one that
// rests on a measured full-output pull has nothing to assume.
func TestBeyondTheHeaviestLoadIsSaid(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	with := ask(runs, c.craft(), 80)
	without := ask(runs[1:], c.craft(), 80)
	if text := without.Text("metric"); without.Fit == nil || !strings.Contains(strings.Join(strings.Fields(text), " "), "lift and reserve err high") {
		t.Errorf("without a pull nothing is said of it:\n%s", text)
	}
	if with.Fit == nil || with.Fit.TopOutput < 0.95 || strings.Contains(with.Text("metric"), "beyond that load") {
		t.Errorf("with a pull at %.0f %% output: %q", 100*with.Fit.TopOutput, with.Fit.Assumes)
	}
}

// Thin air takes lift: at 2000 m by the standard atmosphere the density is 0.8217
// of sea level's (published table). The craft on paper hovers at 1/√0.8217 of its
// output × voltage there.
func TestThinAir(t *testing.T) {
	c := newPaper()
	q := Question{Craft: c.craft(), HoverTime: 60, Next: []Step{{Mass: 72}}}
	low := Ask(c.day(60, 66, 72, 78), q).Next[0]
	q.Air = airOf(2, 2000)
	high := Ask(c.day(60, 66, 72, 78), q).Next[0]
	ratio := high.Output.Mid * high.Voltage.Mid / (low.Output.Mid * low.Voltage.Mid)
	near(t, "output × voltage", ratio, 1/math.Sqrt(0.8217), 0.006)
	if !(high.Reserve.Mid < low.Reserve.Mid) {
		t.Errorf("reserve %v at 2000 m, %v at sea level", high.Reserve.Mid, low.Reserve.Mid)
	}
}

// TestTextFitsTheScreen also holds the words apart: nothing of it speaks of a
// person but to exclude one.
func TestTextFitsTheScreen(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	w, err := ParseWhatIf("motors=10, mass=-15lb, cells=13, packs=2, resistance=-20%, thrust=+5%, air=30°C")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []Forecast{
		ask(runs, c.craft(), 80, 95, 130), ask(runs[1:2], c.craft(), 80), ask(nil, Craft{}), ask(nil, Craft{}, 70),
		Ask(runs, Question{Craft: c.craft(), WhatIf: w, Floor: 46, Next: []Step{{Name: "a step with a long name that somebody has thought of with care", Mass: 130, Ballast: 70}}}),
	} {
		for _, system := range []string{"metric", "imperial"} {
			text := f.Text(system)
			for _, line := range strings.Split(text, "\n") {
				if utf8.RuneCountInString(line) > columns {
					t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
				}
			}
			if !strings.Contains(text, "uncrewed") || strings.Contains(text, "NaN") || strings.Contains(text, "no value") {
				t.Error(text)
			}
			if system == "imperial" && (strings.Contains(text, " kg") || strings.Contains(text, " N ")) {
				t.Errorf("SI in an imperial text:\n%s", text)
			}
		}
	}
}

// A supply that gives way in the pull: no go, at any step, and the reason says at
// what current.
func TestSupplyThatGaveWayInThePull(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	for i, at := range runs[0].Voltage.T {
		if at >= 70.5 && at < 74 {
			runs[0].Voltage.V[i], runs[0].Current.V[i] = 41, 300
		}
	}
	f := ask(runs, c.craft(), 62, 80)
	if f.Pack == nil || math.Abs(f.Pack.Collapse-300) > 5 {
		t.Fatalf("the supply gave way at 300 A: %+v %s", f.Pack, f.Refused)
	}
	for _, s := range f.Next {
		if s.Verdict == Go || s.Verdict == NotYet && !strings.Contains(s.Reason, "gave way at 300 A") {
			t.Errorf("%s: %s", s.Verdict, s.Reason)
		}
	}
}
