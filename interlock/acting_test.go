package interlock

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Every timer acts in its own instant, not a nanosecond before or after, and
// once. One that would not act when it is due would be due for ever: so this
// asks for a single firing, and says so, before anything is run that would hang.
func TestEveryTimerActsInItsInstant(t *testing.T) {
	const at = time.Hour
	for i := range latchTimers + craftTimers {
		e := busyRig(t).e
		e.started, e.now = true, at-1
		c, i := &e.latch.clock, i
		if i >= latchTimers {
			c, i = &e.clock, i-latchTimers
		}
		c.arm(i, at)
		if e.Deadline() != at && e.Deadline() != 0 {
			t.Errorf("timer %d is armed for %v and the engine wants to be woken at %v", i, at, e.Deadline())
		}
		if e.fire(at-1) || c.timers[i] != at {
			t.Fatalf("timer %d acted a nanosecond too early", i)
		}
		if !e.fire(at) {
			t.Fatalf("timer %d did not act in its instant", i)
		}
		if c.timers[i] <= at {
			t.Fatalf("timer %d is still due after it acted: the engine would never come to an end", i)
		}
		if e.now != at {
			t.Errorf("timer %d acted at %v, want %v", i, e.now, at)
		}
	}
}

// What log, recording and replay have in common: rule and permissive by name,
// value and limit with the unit, for the first of the file as for the last.
func TestDecisionsNameWhatTheyAreAbout(t *testing.T) {
	env, faults := rules.ReadEnvelope("busy.toml", []byte(busyEnvelope))
	if env == nil {
		t.Fatal(faults)
	}
	last := len(env.Rules) - 1
	for _, c := range []struct {
		f    Effect
		want string
	}{
		{Effect{Kind: TripEffect, At: 3 * time.Second, Trip: 7, FirstOut: true, Stop: rules.Immediate, Reason: ReasonRule, Rule: 0, Permissive: -1, Channel: rules.Tension, HasValue: true, Value: 1900, Limit: 1800},
			`{"at_ns":3000000000,"kind":"trip","trip":7,"first_out":true,"stop":"immediate","reason":"past a limit","rule":"overload","channel":"tether.tension","value":1900,"limit":1800,"unit":"N"}`},
		{Effect{Kind: CautionEffect, On: true, Reason: ReasonRule, Rule: last, Permissive: -1, Channel: rules.LinkAge, HasValue: true, Value: 0.1, Limit: 0.1},
			`{"at_ns":0,"kind":"caution","on":true,"reason":"past a limit","rule":"age","channel":"link.age","value":0.1,"limit":0.1,"unit":"s"}`},
		{Effect{Kind: NoteEffect, Reason: ReasonPermissiveLost, Rule: -1, Permissive: 1, Channel: rules.SupplyVoltage, HasValue: true, Value: 47, Limit: 48},
			`{"at_ns":0,"kind":"note","on":false,"reason":"something needed to start is missing","permissive":"charged","channel":"supply.voltage","value":47,"limit":48,"unit":"V"}`},
		// The first line and the first reason that have one are named as any other.
		{Effect{Kind: NoteEffect, On: true, Reason: ReasonEStop, Rule: -1, Permissive: -1, Line: EStopA}, `{"at_ns":0,"kind":"note","on":true,"line":"estop_a","reason":"emergency stop"}`},
		{Effect{Kind: NoteEffect, On: true, Reason: ReasonPinsSilent, Rule: -1, Permissive: -1, Line: EStopA}, `{"at_ns":0,"kind":"note","on":true,"line":"estop_a","reason":"the input lines are silent"}`},
		{Effect{Kind: NoteEffect, On: true, Reason: ReasonMark, Rule: -1, Permissive: -1}, `{"at_ns":0,"kind":"note","on":true,"reason":"look here"}`},
		// An effect that names no rule of this envelope names none.
		{Effect{Kind: TripEffect, Trip: 1, Reason: ReasonGate, Rule: -1, Permissive: -1}, `{"at_ns":0,"kind":"trip","trip":1,"first_out":false,"stop":"none","reason":"gate open"}`},
		{Effect{Kind: TripEffect, Trip: 1, Reason: ReasonGate, Rule: last + 1, Permissive: len(env.Permissives)}, `{"at_ns":0,"kind":"trip","trip":1,"first_out":false,"stop":"none","reason":"gate open"}`},
	} {
		if got := string(AppendDecision(nil, env, c.f)); got != c.want {
			t.Errorf("it says\n%s\nwant\n%s", got, c.want)
		}
	}
}

// A decision is one JSON object whatever a rule is called.
func TestDecisionsAreJSONWhateverTheName(t *testing.T) {
	for _, name := range []string{`say "stop"`, `back\slash`, "tab\tline\nbell\a\x00\x7f", "ünï ☃ 🚁", "bad \xff byte", "", "</script>", "\u2028"} {
		env := &rules.Envelope{Rules: []rules.Rule{{Name: name, Watch: rules.Tension}}}
		text := AppendDecision(nil, env, Effect{Kind: TripEffect, Trip: 1, Reason: ReasonRule, Permissive: -1, Channel: rules.Tension, HasValue: true, Value: 2, Limit: 1})
		var back struct{ Rule string }
		want := strings.Map(func(r rune) rune { return max(r, ' ') }, name) // what controls a terminal becomes a blank
		if err := json.Unmarshal(text, &back); err != nil || back.Rule != want {
			t.Errorf("%q comes back as %q, %v: %s", name, back.Rule, err, text)
		}
	}
}

// A rule whose channel was never heard shows as missing, as does one that was
// heard and fell silent.
func TestRuleShowsWhatIsMissing(t *testing.T) {
	var v View
	shown := func(e *Engine) (missing bool) { e.View(&v); return v.Rules[0].Missing }
	r := busyRig(t, watchDuty)
	r.silence(rules.Tension)
	r.run(time.Second)
	if !shown(r.e) {
		t.Error("never heard, and not shown as missing")
	}
	r.set(rules.Tension, 500, rules.Good)
	r.run(time.Second)
	if shown(r.e) {
		t.Error("heard, and shown as missing")
	}
	r.silence(rules.Tension)
	r.run(time.Second)
	if !shown(r.e) {
		t.Error("heard and then silent, and not shown as missing")
	}
}

// In duty watch a silenced alarm shows as silenced as long as its cause stands,
// and no longer.
func TestSilencedShowsWhileItsCauseStands(t *testing.T) {
	var v View
	shown := func(e *Engine) bool { e.View(&v); return v.Hushed }
	r := busyRig(t, watchDuty)
	r.run(12 * time.Second)
	if shown(r.e) {
		t.Error("nothing sounds, and it shows as silenced")
	}
	r.set(rules.Tension, 1900, rules.Good)
	r.run(12 * time.Second)
	if v.Sound = r.e.latch.soundNow(); v.Sound != SoundTripped || shown(r.e) {
		t.Fatalf("an overload of twelve seconds: sound %v, silenced %v", v.Sound, v.Hushed)
	}
	r.press(Reset, 300*time.Millisecond)
	if r.e.latch.soundNow() == SoundTripped || !shown(r.e) {
		t.Errorf("reset was pressed: sound %v, silenced %v", r.e.latch.soundNow(), v.Hushed)
	}
	r.set(rules.Tension, 500, rules.Good)
	r.run(time.Second)
	if shown(r.e) {
		t.Error("the cause is gone, and it shows as silenced")
	}
}

// Seconds become nanoseconds; what fits nowhere becomes a time past any session.
func TestSecondsAreNanoseconds(t *testing.T) {
	for s, want := range map[float64]time.Duration{0: 0, 0.25: 250 * time.Millisecond, 1.5: 1500 * time.Millisecond, 3600: time.Hour,
		1e300: rules.Never / 4, math.Inf(1): rules.Never / 4} {
		if got := seconds(s); got != want {
			t.Fatalf("%v s is %v, want %v", s, got, want)
		}
	}
	if got := seconds(math.NaN()); got != rules.Never/4 {
		t.Fatalf("no number is %v", got)
	}
}

// Whatever falls silent, the engine comes to an end: in one instant little acts,
// and time goes on. Fired one by one here, so that a deadline that is due for
// ever is said instead of waited for.
func TestSilenceComesToAnEnd(t *testing.T) {
	// A condition that waits longer for its channel than a rule does.
	patient := newRig(t, exploreEnvelope+"[[permissive]]\nname = \"p\"\nwatch = \"tether.tension\"\nbelow = \"1700 N\"\nstale_after = \"9 s\"\n", nil)
	patient.set(rules.Tension, 500, rules.Good)
	for _, base := range []*rig{busyRig(t), busyRig(t, watchDuty), patient} {
		base.e.started = true
		base.e.latch.powerUp()
		base.e.latch.conclude(0)
		for _, v := range base.values {
			base.e.limits.Take(0, v.id, limits.Result{Value: v.v, Quality: rules.Good})
			base.e.latch.conclude(0)
		}
		e, end := base.e, time.Hour
		fired, at := 0, time.Duration(-1)
		for e.fire(end) {
			if e.now != at {
				fired, at = 0, e.now
			}
			if fired++; fired > 50 {
				t.Fatalf("at %v something is due for ever", e.now)
			}
		}
		if e.Deadline() <= end {
			t.Errorf("it stopped before %v", end)
		}
	}
}

// An age just within a channel's staleness and one just past it are two states:
// what is derived from the channel tells them apart.
func TestImageTellsAgesAtTheStaleness(t *testing.T) {
	r := busyRig(t)
	r.run(5 * time.Second)
	a, b := r.e.Clone(), r.e.Clone()
	id := rules.SupplyVoltage
	stale := max(id.Stale(), time.Second, longestOf(a, id))
	a.readings()[id].At, b.readings()[id].At = a.now-stale, b.now-stale-1
	if string(a.AppendState(nil)) == string(b.AppendState(nil)) {
		t.Errorf("ages of %v and a nanosecond more give one image", stale)
	}
	a.readings()[id].At = b.readings()[id].At - time.Hour
	if string(a.AppendState(nil)) != string(b.AppendState(nil)) {
		t.Error("two ages past any use give two images")
	}
}

// A value that the channel cannot have is missing, on either side of its range; the
// ends are in it.
func TestImplausibleIsMissingOnBothSides(t *testing.T) {
	r := newRig(t, exploreEnvelope, nil)
	r.run(time.Second)
	for _, id := range []rules.ChannelID{rules.Tension, rules.ESCFailures, rules.Motor1Speed, rules.CraftArmed, rules.Roll} {
		c := id.Channel()
		for _, v := range []float64{c.Low, c.High, math.Nextafter(c.Low, math.Inf(-1)), math.Nextafter(c.High, math.Inf(1)), c.Low - 1, c.High + 1} {
			r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: id, Value: v, Quality: rules.Good}})
			got := r.e.Reading(id)
			want := v >= c.Low && v <= c.High
			if (got.Quality == rules.Good) != want || !want && got.Cause != rules.Implausible {
				t.Errorf("%v of %v: %v (%v)", id, v, got.Quality, got.Cause)
			}
		}
	}
}

// A ready guard whose hold-to-run is let go shows it: the start that comes is refused.
func TestReadyShowsWhetherHoldToRunIsHeld(t *testing.T) {
	r := newRig(t, exploreEnvelope, func(s *Site) { s.Fitted[Hold] = true })
	r.set(rules.Tension, 500, rules.Good)
	r.set(rules.ESCFailures, 0, rules.Good)
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	r.run(11 * time.Second)
	var v View
	if r.e.View(&v); v.State != Ready || !v.Unheld {
		t.Errorf("%v, unheld %v: want ready, not held: %+v", v.State, v.Unheld, v.Unmet)
	}
	r.press(Start, 200*time.Millisecond)
	if r.e.View(&v); v.State != Ready {
		t.Errorf("a start without it: %v", v.State)
	}
	r.lines[Hold] = true
	r.run(100 * time.Millisecond)
	if r.e.View(&v); v.Unheld {
		t.Error("held, and shown as not held")
	}
}
