package hazard

import (
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
)

func TestReactionBudget(t *testing.T) {
	p := &pad.Pad{LongestGap: 50 * time.Millisecond}
	// Load cell 13 ms a value: 2 · 13 + 40 = 66 ms beats 50 ms of silence.
	pull := &rules.Rule{Watch: rules.Tension, Lasting: 40 * time.Millisecond, StaleAfter: 50 * time.Millisecond}
	b := Reaction(pull, p, stopping.Stated(p), nil)
	period := rules.Tension.Channel().Period.Seconds()
	near(t, "by value", b.Value, 2*period+0.04, 1e-12)
	// A converter of the pad's own settles after a step before it shows all of it:
	// HX711, 50 ms at 80 readings a second and 400 ms at 10 (from memory).
	for rate, settles := range map[float64]float64{80: 0.05, 10: 0.4} {
		own := &pad.Pad{LoadCell: pad.LoadCell{Fitted: true, Rate: rate}}
		near(t, "by value with what settles", Reaction(pull, own, stopping.Stated(own), nil).Value, settles+2/rate+0.04, 1e-9)
	}
	near(t, "to relay", b.Relay, b.Value+0.05, 1e-12)
	// Nobody measured the stop: 3 s, of which an even fall pushes for 1 s.
	near(t, "stated, to rotors standing", b.Whole, b.Relay+3, 1e-12)
	near(t, "stated, to no thrust", b.Gone, b.Relay+1, 1e-8)
	if got := b.Says(rules.Immediate, false); got != "Relay open within 0.116 s, thrust gone 1 s and rotors standing 3 s after (stated, not measured)." {
		t.Errorf("got %q", got)
	}
	// A converter of 10 readings a second is slower.
	p.LoadCell = pad.LoadCell{Fitted: true, Rate: 10}
	b = Reaction(pull, p, stopping.Stated(p), nil)
	near(t, "by value of a slow converter", b.Value, 0.64, 1e-12)
	// Silence is the longer way.
	b = Reaction(&rules.Rule{Watch: rules.Height, StaleAfter: 2 * time.Second}, p, stopping.Times{}, nil)
	near(t, "to relay by silence", b.Relay, 2.05, 1e-12)
	// A 3 s mean needs 3 s to show a step whole.
	gust := &rules.Rule{Watch: rules.Gust, StaleAfter: 3 * time.Second, Grace: 12 * time.Second}
	measured := stopping.Times{Rotors: rules.RotorsStanding{Standing: 1200 * time.Millisecond, Measured: true}, Thrust: rules.ThrustGone{Gone: 351 * time.Millisecond, Measured: true, Traced: true}}
	b = Reaction(gust, p, measured, nil)
	near(t, "gust by value", b.Value, 3.5, 1e-12)
	near(t, "gust to rotors standing", b.Whole, 4.75, 1e-12)
	near(t, "gust to no thrust", b.Gone, 3.901, 1e-12)
	if got := b.Says(rules.Controlled, false); got != "Told within 3.55 s, relay open at most 12 s later, thrust gone 0.351 s after (measured by rotor speed), rotors standing 1.2 s after (measured)." {
		t.Errorf("got %q", got)
	}
	if got := b.Says(rules.Controlled, true); got != "Told within 3.55 s; this pad takes no power off." {
		t.Errorf("got %q", got)
	}
	// What was heard counts, of the channel itself or of what it comes from.
	heard := func(id rules.ChannelID) (time.Duration, bool) { return 400 * time.Millisecond, id == rules.Roll }
	b = Reaction(&rules.Rule{Watch: rules.Tilt, StaleAfter: 200 * time.Millisecond}, p, stopping.Times{}, heard)
	near(t, "tilt as heard", b.Value, 0.8, 1e-12)
	if !b.Measured {
		t.Error("a period that was heard is not told as measured")
	}
}

const padText = `version = 1
duty = "guard"
[craft]
system = 1
component = 1
radius = "1.4 m"
motors = 6
[reach]
how = "wired pair"
[board]
kind = "virtual"
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[height]
source = "local"
error_height = "0.3 m"
error_climb = "0.2 m/s"
reaction = "1300 ms"
thrust_to_weight = 2
[packs]
source = "battery_status"
cells = 14
floor = "46.2 V"
[load_cell]
zero = 0
newtons_per_count = 0.01
[stop]
measured = "1.2 s"
method = "video"
date = "2026-05-16"
by = "R"
`

const tetherText = `version = 1
title = "t"
[tether]
breaking_strength = "22 kN"
design_factor = 10
length = "9 m"
stretch = "12 % at 5 kN"
`

const rowText = `version = 1
air = "15 °C, 0 m"
[craft]
name = "c"
mass = "31 kg"
lowering = "0.5 m/s"
blade_throw = "60 m"
[motors]
count = 8
current = "480 A"
[motors.rig]
reading = "76 N"
lever = 1
volts = "50 V"
air = "15 °C, 0 m"
[[pack]]
name = "A"
cells = 14
resistance = "24 mohm"
[[pack]]
name = "B"
cells = 14
resistance = "24 mohm"
[[step]]
name = "one"
ballast = "14 kg"
`

func judged(t *testing.T, heard Heard, rows string) Verdict {
	t.Helper()
	p, faults := pad.Read("pad.toml", []byte(padText))
	if p == nil {
		t.Fatal(faults)
	}
	e, faults := rules.ReadEnvelope("e.toml", []byte(tetherText+rows))
	if e == nil {
		t.Fatal(faults)
	}
	c, faults := card.Read("card.toml", []byte(rowText))
	if c == nil {
		t.Fatal(faults)
	}
	limits, padFile, cardFile := sense.Source{Name: "e.toml", Text: []byte(tetherText + rows)}, sense.Source{Name: "pad.toml", Text: []byte(padText)}, sense.Source{Name: "card.toml", Text: []byte(rowText)}
	v := Judge(Case{Envelope: e, Pad: p, Card: c, Limits: limits, PadFile: padFile, CardFile: cardFile, Stop: stopping.Stated(p), Heard: heard})
	_, few := Look(&sense.Files{Pad: p, Envelope: e, Card: c, LimitFile: limits, PadFile: padFile, CardFile: cardFile}, stopping.Stated(p), heard, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
	v.Doubts = append(few, v.Doubts...)
	return v
}

// told is all that a verdict warns of, causes and what follows from them.
func told(v Verdict) string {
	text := strings.Join(v.Warnings, "\n") + "\n"
	for _, x := range v.Doubts {
		text += x.Error() + "\n"
	}
	return text
}

func rule(name, watch, limit, more string) string {
	return "[[rule]]\nname = \"" + name + "\"\nwatch = \"" + watch + "\"\n" + limit + "\n" + more + "\n"
}

const (
	atOnce = `stop = "immediate"`
	reach  = "[[rule]]\nname = \"reach\"\nwatch = \"craft.slant_range\"\nabove = \"8 m\"\nstop = \"immediate\"\n"
)

// Each limit that cannot do its job is warned of, and the same limit a little
// better is not.
func TestWarnings(t *testing.T) {
	slow := func(every time.Duration, id rules.ChannelID) Heard {
		return func(x rules.ChannelID) (time.Duration, bool) { return every, x == id }
	}
	down := "stop = \"controlled\"\ngrace = "
	for _, c := range []struct {
		name      string
		heard     Heard
		bad, good string
		want      string
	}{
		{"on-delay", nil, rule("a", "tether.tension", `above = "2 kN"`, "lasting = \"10 ms\"\n"+atOnce), rule("a", "tether.tension", `above = "2 kN"`, "lasting = \"30 ms\"\n"+atOnce),
			"one value alone decides"},
		{"staleness", slow(500*time.Millisecond, rules.Roll), rule("a", "craft.tilt", `above = "30 deg"`, atOnce), rule("a", "craft.tilt", `above = "30 deg"`, "stale_after = \"1 s\"\n"+atOnce),
			"would trip all the time"},
		{"one lost message", slow(150*time.Millisecond, rules.Roll), rule("a", "craft.tilt", `above = "30 deg"`, atOnce), rule("a", "craft.tilt", `above = "30 deg"`, "stale_after = \"400 ms\"\n"+atOnce),
			"a single lost message trips it"},
		{"a load cell that freezes", nil, rule("a", "tether.tension", `above = "2 kN"`, atOnce), rule("a", "tether.tension", `above = "2 kN"`, "frozen_after = 80\n"+atOnce),
			"\"a\" would not see a load cell that freezes: the same reading again and again is believed, and no pull shows. Where its last digits move at rest, write frozen_after = 80, a second"},
		{"a load cell that freezes under its rate", nil, rule("a", "tether.tension_rate", `above = "2 kN/s"`, atOnce), "",
			"add a rule on tether.tension with frozen_after"},
		{"working load", nil, rule("a", "tether.tension", `above = "2201 N"`, atOnce), rule("a", "tether.tension", `above = "2200 N"`, atOnce),
			"the working load of the tether is 2200 N"},
		{"ceiling", nil, rule("a", "craft.apex", `above = "9 m"`, atOnce), rule("a", "craft.apex", `above = "8.9 m"`, atOnce),
			"can hardly act"},
		{"height without its coast", nil, rule("a", "craft.height", `above = "6 m"`, atOnce), rule("a", "craft.apex", `above = "6 m"`, atOnce),
			"watches the height now"},
		{"sag", nil, rule("a", "pack.lowest_cell", `below = "3.8 V"`, down+`"5 s"`), rule("a", "pack.lowest_cell", `below = "3.7 V"`, down+`"5 s"`),
			"is reached by sag alone"},
		{"hard floor", nil, rule("a", "pack.lowest_cell", `below = "3.3 V"`, down+`"5 s"`), rule("a", "pack.lowest_cell", `below = "3.31 V"`, down+`"5 s"`),
			"at its hard floor already"},
		{"caution", nil, rule("a", "craft.apex", `above = "7 m"`, "caution = \"6.9 m\"\n"+atOnce), rule("a", "craft.apex", `above = "7 m"`, "caution = \"6 m\"\n"+atOnce),
			"nobody can act on it in time"},
		{"grace", nil, rule("t", "craft.apex", `above = "5 m"`, atOnce) + rule("a", "craft.tilt", `above = "30 deg"`, down+`"9 s"`), rule("t", "craft.apex", `above = "5 m"`, atOnce) + rule("a", "craft.tilt", `above = "30 deg"`, down+`"10 s"`),
			"would be cut in the air"},
		{"no full output on record", nil, rule("a", "craft.lift_reserve", `below = "20 %"`, atOnce), rule("a", "motor.headroom", `below = "10 %"`, atOnce),
			"watch motor.highest or motor.headroom instead"},
		{"parted tether", nil, rule("a", "craft.apex", `above = "7 m"`, atOnce), rule("a", "craft.distance", `above = "8 m"`, atOnce),
			"sees a parted tether"},
	} {
		bad, good := c.bad, c.good
		if c.name != "parted tether" {
			bad, good = bad+reach, good+reach
		}
		if w := told(judged(t, c.heard, bad)); !strings.Contains(w, c.want) {
			t.Errorf("%s: no warning %q in %q", c.name, c.want, w)
		}
		if w := told(judged(t, c.heard, good)); strings.Contains(w, c.want) {
			t.Errorf("%s: a warning too many: %q", c.name, w)
		}
	}
}

// The snatch of a runaway and the pull's own rule, against the formulas worked
// out here by hand.
func TestSnatchAndKeepOut(t *testing.T) {
	v := judged(t, nil, rule("pull", "tether.tension", `above = "2 kN"`, atOnce)+reach)
	k := 2 * 5000 / (0.12 * 9) // twice that of the slow pull
	a := Gravity * math.Sqrt(3)
	near(t, "net pull", *v.Rope.Pull, 45*a, 1e-9)
	near(t, "closing speed", *v.Rope.Closing, math.Sqrt(2200*2200-2*2200*45*a)/math.Sqrt(k*45), 1e-9)
	// Slant range: 0.3 s of silence beats two values; 50 ms of the loop, 200 ms
	// of drop-out and a third of the 3 s to standing rotors follow. That is later
	// than the tether's end, so the tether is what bounds the speed.
	gone := 0.3 + 0.05 + 1.2
	speed := math.Sqrt(2 * a * 18)
	near(t, "speed of the runaway", *v.Rope.SnatchSpeed, speed, 1e-9)
	pull := 45 * a
	near(t, "snatch", *v.Rope.Snatch, pull+math.Sqrt(pull*pull+k*45*speed*speed), 1e-6)
	warnings := told(v)
	for _, want := range []string{"more than the working load of 2200 N", `"pull" comes too late for the first snatch`} {
		if !strings.Contains(warnings, want) {
			t.Errorf("no warning %q in %q", want, warnings)
		}
	}
	l := 9 * (1 + 0.12*22/5)
	near(t, "tether and craft", *v.Keep.Tether, l+1.4, 1e-9)
	near(t, "blade", *v.Keep.Blade, 60, 0)
	// No limit on height: it may hang at the tether's length when it parts.
	v0 := math.Sqrt(2 * a * 8)
	near(t, "parted", *v.Keep.Parted, 8+v0*gone+a*gone*gone/2+throw(v0+a*gone, l), 1e-9)
	near(t, "keep-out", *v.Keep.Out, max(60, *v.Keep.Parted), 1e-9)
	// Lines are read within 20 ms.
	near(t, "walking in", *v.Keep.Separation, 1.6*(3+0.05+0.02)+0.85, 1e-9)
	says := strings.Join(v.Says, "\n")
	for _, want := range []string{"not a working load", "K 1.6 m/s", "1 of 2 rules rest only on what the craft says"} {
		if !strings.Contains(says, want) {
			t.Errorf("%q is not said in %q", want, says)
		}
	}
}

// The two times are never mixed: what people keep moves with the standing rotors
// alone, what the craft does with the thrust alone.
func TestTheTwoTimesAreNotMixed(t *testing.T) {
	p, _ := pad.Read("pad.toml", []byte(padText))
	e, _ := rules.ReadEnvelope("e.toml", []byte(strings.Replace(tetherText, "9 m", "900 m", 1)+rule("height", "craft.height", `above = "3 m"`, atOnce)+reach))
	c, _ := card.Read("card.toml", []byte(rowText))
	judge := func(standing, gone time.Duration) Verdict {
		return Judge(Case{Envelope: e, Pad: p, Card: c, Stop: stopping.Times{Rotors: rules.RotorsStanding{Standing: standing}, Thrust: rules.ThrustGone{Gone: gone}}})
	}
	base, later, longer := judge(3*time.Second, time.Second), judge(6*time.Second, time.Second), judge(3*time.Second, 2*time.Second)
	craft := func(v Verdict) [4]float64 {
		return [4]float64{*v.Rope.Snatch, *v.Keep.Parted, *v.Meanwhile[0].Gain, *v.Meanwhile[0].Apex}
	}
	if craft(base) != craft(later) || *later.Keep.Separation-*base.Keep.Separation < 1.6*3-1e-9 {
		t.Errorf("rotors that stand 3 s later: craft %v and %v, walk-in %v and %v", craft(base), craft(later), *base.Keep.Separation, *later.Keep.Separation)
	}
	for i, x := range craft(base) {
		if craft(longer)[i] <= x {
			t.Errorf("thrust for a second more leaves number %d at %v", i, x)
		}
	}
	if *base.Keep.Separation != *longer.Keep.Separation {
		t.Errorf("thrust for a second more moves the walk-in from %v to %v", *base.Keep.Separation, *longer.Keep.Separation)
	}
}

func TestMeanwhile(t *testing.T) {
	v := judged(t, nil, rule("height", "craft.height", `above = "3 m"`, atOnce)+rule("apex", "craft.apex", `above = "7 m"`, atOnce)+
		rule("gust", "craft.sway", `above = "3 m"`, "stop = \"controlled\"\ngrace = \"12 s\"")+rule("note", "craft.tilt", `above = "30 deg"`, `stop = "none"`))
	h := v.Meanwhile[0]
	// Two values beat 0.3 s of silence; 0.05 s of the loop and 1.2 s to no thrust follow.
	gone := 2*rules.Height.Channel().Period.Seconds() + 0.05 + 1.2
	near(t, "to no thrust", h.Gone, gone, 1e-9)
	// From the pad, to 3 m and the 0.3 m that the height may be off, at 1 g.
	v0 := math.Sqrt(2 * Gravity * 3.3)
	v1 := v0 + Gravity*gone
	near(t, "apex", *h.Apex, 3.3+v0*gone+Gravity*gone*gone/2+v1*v1/(2*Gravity), 1e-9)
	near(t, "gain", *h.Gain, *h.Apex-3, 1e-9)
	near(t, "drop", *h.Drop, FallSpeed(3+*h.Gain), 1e-9)
	// The prediction of a craft that stands, with 1.3 s at 1 g, is past 7 m already:
	// √(2·7·g/2) is for one that the limit lets off the pad.
	if a := v.Meanwhile[1]; *a.Apex != 7 || math.Abs(*a.Speed-math.Sqrt(7*Gravity)) > 1e-9 || !strings.Contains(a.Says, "The coast is in the prediction") || !strings.Contains(a.Says, "stands on the pad") {
		t.Errorf("apex: %+v", a)
	}
	if g := v.Meanwhile[2]; g.Gain != nil || math.Abs(*g.Drop-FallSpeed(3)) > 1e-9 || !strings.Contains(g.Says, "Not down when the grace ends") {
		t.Errorf("controlled: %+v", g)
	}
	if n := v.Meanwhile[3]; n.Says != "" || n.Gain != nil {
		t.Errorf("caution only: %+v", n)
	}
}

func TestHazards(t *testing.T) {
	p, faults := pad.Read("pad.toml", []byte(padText))
	if p == nil {
		t.Fatal(faults)
	}
	e, faults := rules.ReadEnvelope("e.toml", []byte(tetherText+rule("pull", "tether.tension", `above = "2 kN"`, atOnce)+reach+rule("gust", "wind.gust3s", `above = "8 m/s"`, atOnce)))
	if e == nil {
		t.Fatal(faults)
	}
	got := map[string]Hazard{}
	for _, h := range Hazards(p, e) {
		got[h.Hazard] = h
	}
	for what, rests := range map[string]string{
		"the tether is overloaded": "own sensor", "the craft drifts off, or the tether parts": "what the craft says of itself",
		"the wind is too strong": nobody, // nothing feeds the rule
		"the craft tips over":    nobody, "fire or smoke": nobody, "the craft is heard no more": "silence itself",
		"somebody walks in by the gate": "input line of the pad",
	} {
		if got[what].RestsOn != rests {
			t.Errorf("%s rests on %q, want %q", what, got[what].RestsOn, rests)
		}
	}
	craftOnly, unseen := SayHazards(Hazards(p, e))
	if len(craftOnly) != 1 || craftOnly[0] != "the craft drifts off, or the tether parts: reach" || len(unseen) < 5 {
		t.Errorf("craft's word %q, unseen %q", craftOnly, unseen)
	}
}

// The link's constant delay is in the time of every rule that rests on the craft's
// word, and in none of the pad's own: at the speed of a runaway each 100 ms adds
// metres (integrated from the formulas of even acceleration).
func TestLinkDelay(t *testing.T) {
	e, faults := rules.ReadEnvelope("e.toml", []byte(tetherText+rule("height", "craft.height", `above = "5 m"`, atOnce)+rule("pull", "tether.tension", `above = "2 kN"`, atOnce)+rule("apex", "craft.apex", `above = "30 m"`, atOnce)))
	if e == nil {
		t.Fatal(faults)
	}
	judge := func(text string) Verdict {
		p, faults := pad.Read("pad.toml", []byte(text))
		if p == nil {
			t.Fatal(faults)
		}
		return Judge(Case{Envelope: e, Pad: p, Stop: stopping.Stated(p)})
	}
	none, late := judge(padText), judge(strings.Replace(padText, "[[link]]\n", "[[link]]\ndelay = \"100 ms\"\n", 1))
	for i, more := range []float64{0.1, 0, 0.1} {
		for _, d := range [][2]float64{{none.Budgets[i].Relay, late.Budgets[i].Relay}, {none.Budgets[i].Gone, late.Budgets[i].Gone}, {none.Budgets[i].Whole, late.Budgets[i].Whole}} {
			near(t, e.Rules[i].Name+" later by", d[1]-d[0], more, 1e-9)
		}
	}
	// One more tenth of a second at full thrust and its coast.
	v, a := *none.Meanwhile[0].Speed, 2*Gravity*288.15/258.15-Gravity // no card: 30 °C colder counts
	near(t, "higher by", *late.Meanwhile[0].Apex-*none.Meanwhile[0].Apex, v*0.1+a*0.01/2+((v+0.1*a)*(v+0.1*a)-v*v)/(2*Gravity), 1e-9)
	if says := strings.Join(none.Says, "\n"); !strings.Contains(says, "delay is not stated") || !strings.Contains(says, "each 100 ms of it adds") {
		t.Errorf("a delay that nobody stated: %q", says)
	}
	if says := strings.Join(late.Says, "\n"); !strings.Contains(says, "delay, 100 ms, is in their times") {
		t.Errorf("a delay that is stated: %q", says)
	}
}
