package main

import (
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/rules"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func TestPhysicsAgainstKnownValues(t *testing.T) {
	// Free fall in a vacuum, g = 9.80665 m/s² (worked out from h = v²/2g).
	for _, c := range []struct{ h, v, s float64 }{
		{1, 4.4287, 0.4516}, {5, 9.9029, 1.0098}, {10, 14.0047, 1.4281}, {30, 24.2569, 2.4735}, {0, 0, 0}, {-1, 0, 0},
	} {
		near(t, "speed of the fall", fallSpeed(c.h), c.v, 5e-5)
		near(t, "time of the fall", fallTime(c.h), c.s, 5e-5)
	}
	// Published example: 30,000 lb of rope at a factor of 10 works at 3,000 lb
	// (https://atlanticbraids.com/brief-note-rope-usage-safety/).
	near(t, "working load", workingLoad(&rules.Tether{BreakingStrength: 30000, DesignFactor: 10}), 3000, 0)
	near(t, "working load of nothing stated", workingLoad(&rules.Tether{BreakingStrength: 30000}), 0, 0)
	// The predicted apex for h 3, v 0, T 0.45, A = g is 4.98585 m: the same
	// climb, as a gain over hover at twice the weight.
	near(t, "runaway", runaway(2*standardGravity, 450*time.Millisecond), 4.98585-3, 1e-5)
	near(t, "runaway without power to spare", runaway(standardGravity/2, time.Second), 0, 0)
	// Energy: ½ m v² = F²/2k at the working load.
	tether := rules.Tether{BreakingStrength: 22000, DesignFactor: 10, Length: 9, Stretch: 0.12, StretchAt: 5000}
	v, k := closingSpeed(&tether, 45), 5000/(0.12*9)
	near(t, "energy at the working load", 45*v*v/2, 2200*2200/(2*k), 1e-6)
	near(t, "closing speed without stretch", closingSpeed(&rules.Tether{BreakingStrength: 1, DesignFactor: 1, Length: 9}, 45), 0, 0)
	near(t, "approach", approach(time.Second), 2.45, 1e-12)
}

func TestReactionBudget(t *testing.T) {
	p := &pad.Pad{LongestGap: 50 * time.Millisecond}
	// Load cell 13 ms a value: 2 · 13 + 40 = 66 ms beats 50 ms of silence.
	b := reaction(&rules.Rule{Watch: rules.Tension, Lasting: 40 * time.Millisecond, StaleAfter: 50 * time.Millisecond}, p)
	period := rules.Tension.Channel().Period.Seconds()
	near(t, "by value", b.Value, 2*period+0.04, 1e-12)
	near(t, "to relay", b.Relay, b.Value+0.05, 1e-12)
	if b.Rotors != nil || !strings.Contains(b.says(rules.Immediate), "not measured") {
		t.Errorf("a stop time that nobody measured is told: %s", b.says(rules.Immediate))
	}
	// A converter of 10 readings a second is slower.
	p.LoadCell = pad.LoadCell{Fitted: true, Rate: 10}
	b = reaction(&rules.Rule{Watch: rules.Tension, Lasting: 40 * time.Millisecond, StaleAfter: 50 * time.Millisecond}, p)
	near(t, "by value of a slow converter", b.Value, 0.24, 1e-12)
	// Silence is the longer way.
	b = reaction(&rules.Rule{Watch: rules.Height, StaleAfter: 2 * time.Second}, p)
	near(t, "to relay by silence", b.Relay, 2.05, 1e-12)
	// A 3 s mean needs 3 s to show a step whole.
	p.Stop = pad.Stop{Proven: true, Time: 1200 * time.Millisecond}
	b = reaction(&rules.Rule{Watch: rules.Gust, StaleAfter: 3 * time.Second, Grace: 12 * time.Second}, p)
	near(t, "gust by value", b.Value, 3.5, 1e-12)
	if got := b.says(rules.Controlled); got != "Told within 3.55 s, relay open at most 12 s later, rotors stopped 1.2 s after." {
		t.Errorf("got %q", got)
	}
}

func TestJudgeWarnsOfLimitsThatCannotWork(t *testing.T) {
	const padText = `version = 1
duty = "watch"
[craft]
system = 1
component = 1
radius = "1.4 m"
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[height]
source = "local"
error_height = "0.3 m"
error_climb = "0.2 m/s"
reaction = "300 ms"
thrust_to_weight = 2
[load_cell]
source = "winch"
[stop]
measured = "1.2 s"
method = "video"
date = "2026-05-16"
by = "R"
`
	p, faults := pad.Read("pad.toml", []byte(padText))
	if p == nil {
		t.Fatal(faults)
	}
	envelope := func(tension, ceiling string) *rules.Envelope {
		e, faults := rules.ReadEnvelope("e.toml", []byte(`version = 1
title = "t"
[tether]
breaking_strength = "22 kN"
design_factor = 10
length = "9 m"
[[rule]]
name = "pull"
watch = "tether.tension"
above = "`+tension+`"
stop = "immediate"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "`+ceiling+`"
stop = "immediate"
`))
		if e == nil {
			t.Fatal(faults)
		}
		return e
	}
	_, good := judge(envelope("2200 N", "8.9 m"), p, 0)
	for _, w := range good {
		if !strings.Contains(w, "predicted apex counts on") {
			t.Errorf("a warning too many: %s", w)
		}
	}
	if len(good) != 1 {
		t.Errorf("the short reaction is not warned of: %q", good)
	}
	says, bad := judge(envelope("2201 N", "9 m"), p, 0)
	for _, want := range []string{`"pull" allows 2201 N`, `"ceiling" can hardly act`} {
		if !strings.Contains(strings.Join(bad, "\n"), want) {
			t.Errorf("no warning %s in %q", want, bad)
		}
	}
	for _, want := range []string{"2 of 2 rules", "arrives with up to 13.29 m/s", "working load is 2200 N", "Keep out of 10.4 m", "Nobody within 2.77 m"} {
		if !strings.Contains(strings.Join(says, "\n"), want) {
			t.Errorf("%s is not said in %q", want, says)
		}
	}
}
