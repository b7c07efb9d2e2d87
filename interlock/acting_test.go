package interlock

import (
	"testing"
	"time"

	"downhaul/rules"
)

// Every timer acts in its own instant, not a nanosecond before or after, and
// once. One that would not act when it is due would be due for ever: so this
// asks for a single firing, and says so, before anything is run that would hang.
func TestEveryTimerActsInItsInstant(t *testing.T) {
	const at = time.Hour
	for i := range timerCount {
		e := busyRig(t).e
		e.started, e.now = true, at-1
		e.arm(i, at)
		if e.next != at && e.next != 0 {
			t.Errorf("timer %d is armed for %v and the engine wants to be woken at %v", i, at, e.next)
		}
		if e.fire(at-1) || e.timers[i] != at {
			t.Fatalf("timer %d acted a nanosecond too early", i)
		}
		if !e.fire(at) {
			t.Fatalf("timer %d did not act in its instant", i)
		}
		if e.timers[i] <= at {
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
			`{"at_ns":3000000000,"kind":"trip","trip":7,"first_out":true,"stop":"immediate","reason":"limit left","rule":"overload","channel":"tether.tension","value":1900,"limit":1800,"unit":"N"}`},
		{Effect{Kind: CautionEffect, On: true, Reason: ReasonRule, Rule: last, Permissive: -1, Channel: rules.LinkAge, HasValue: true, Value: 0.1, Limit: 0.1},
			`{"at_ns":0,"kind":"caution","on":true,"reason":"limit left","rule":"age","channel":"link.age","value":0.1,"limit":0.1,"unit":"s"}`},
		{Effect{Kind: NoteEffect, Reason: ReasonPermissiveLost, Rule: -1, Permissive: 1, Channel: rules.SupplyVoltage, HasValue: true, Value: 47, Limit: 48},
			`{"at_ns":0,"kind":"note","on":false,"reason":"something needed to start is missing","permissive":"charged","channel":"supply.voltage","value":47,"limit":48,"unit":"V"}`},
		// An effect that names no rule of this envelope names none.
		{Effect{Kind: TripEffect, Trip: 1, Reason: ReasonGate, Rule: -1, Permissive: -1}, `{"at_ns":0,"kind":"trip","trip":1,"first_out":false,"stop":"none","reason":"gate open"}`},
		{Effect{Kind: TripEffect, Trip: 1, Reason: ReasonGate, Rule: last + 1, Permissive: len(env.Permissives)}, `{"at_ns":0,"kind":"trip","trip":1,"first_out":false,"stop":"none","reason":"gate open"}`},
	} {
		if got := string(AppendDecision(nil, env, c.f)); got != c.want {
			t.Errorf("it says\n%s\nwant\n%s", got, c.want)
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
	if v.Sound = r.e.soundNow(); v.Sound != SoundTripped || shown(r.e) {
		t.Fatalf("an overload of twelve seconds: sound %v, silenced %v", v.Sound, v.Hushed)
	}
	r.press(Reset, 300*time.Millisecond)
	if r.e.soundNow() == SoundTripped || !shown(r.e) {
		t.Errorf("reset was pressed: sound %v, silenced %v", r.e.soundNow(), v.Hushed)
	}
	r.set(rules.Tension, 500, rules.Good)
	r.run(time.Second)
	if shown(r.e) {
		t.Error("the cause is gone, and it shows as silenced")
	}
}
