package guard

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/benchboard"
	"downhaul/rules"
)

// Every state has a sentence, a meaning and something to do; the relay that is
// open says so, and KEEP OUT stands as long as rotors may turn.
func TestEveryStateIsSaid(t *testing.T) {
	r := newRig(t)
	var v interlock.View
	r.eng.View(&v)
	for _, row := range []struct {
		state    interlock.State
		duty     interlock.Duty
		keepOut  bool
		why      interlock.Reason
		standing int
		says     string
		means    string
	}{
		{interlock.Blocked, interlock.Guard, false, 0, 0, "RELAY OPEN: stay clear", told.MeansAct},
		{interlock.Blocked, interlock.Guard, true, 0, 0, "RELAY OPEN: stay clear. KEEP OUT", told.MeansAct},
		{interlock.Ready, interlock.Guard, false, 0, 0, "READY. RELAY OPEN", told.MeansOrder},
		{interlock.Closing, interlock.Guard, false, 0, 0, "CLOSING. STAND CLEAR", told.MeansCaution},
		{interlock.Live, interlock.Guard, true, 0, 0, "LIVE. KEEP OUT", told.MeansCaution},
		{interlock.Lowering, interlock.Guard, true, 0, 0, "BRING IT DOWN", told.MeansDanger},
		{interlock.Tripped, interlock.Guard, false, 0, 0, "TRIPPED. RELAY OPEN: stay clear", told.MeansDanger},
		{interlock.Tripped, interlock.Guard, true, 0, 0, "TRIPPED. RELAY OPEN: stay clear. KEEP OUT", told.MeansDanger},
		{interlock.Fault, interlock.Guard, true, interlock.ReasonPowerRemains, 0, "POWER NOT REMOVED: use the hard-wired stop", told.MeansDanger},
		{interlock.Fault, interlock.Guard, true, interlock.ReasonReadbackNot, 0, "FAULT. KEEP OUT", told.MeansDanger},
		{interlock.Blocked, interlock.Watch, true, 0, 0, "WATCHING ONLY", told.MeansWatch},
		{interlock.Blocked, interlock.Watch, true, 0, 2, "WATCHING ONLY. PAST A LIMIT", told.MeansDanger},
	} {
		v.State, v.Duty, v.KeepOut, v.Why, v.Standing = row.state, row.duty, row.keepOut, row.why, row.standing
		if s := told.Sentence(&v); !strings.HasPrefix(s, row.says) {
			t.Errorf("%v: %q, want %q", row.state, s, row.says)
		}
		if m := told.Meaning(&v); m != row.means {
			t.Errorf("%v means %q, want %q", row.state, m, row.means)
		}
		if do := told.DoNow(&v, r.env); len(do) == 0 {
			t.Errorf("%v: nothing to do", row.state)
		}
	}
}

// A start without hold-to-run is refused: what a start waits for names it.
func TestReadyAsksForHoldToRun(t *testing.T) {
	r := newRig(t)
	var v interlock.View
	r.eng.View(&v)
	v.Duty, v.State = interlock.Guard, interlock.Ready
	for _, v.Unheld = range []bool{true, false} {
		if do := strings.Join(told.DoNow(&v, r.env), " "); strings.Contains(do, "Hold-to-run is not held") != v.Unheld || !strings.Contains(do, "press start") {
			t.Errorf("unheld %v: %q", v.Unheld, do)
		}
	}
}

// Rotors that the wind turns keep people out with the true reason.
func TestTheWindIsSaid(t *testing.T) {
	r := newRig(t)
	var v interlock.View
	r.eng.View(&v)
	v.Duty, v.KeepOut, v.WindTurns = interlock.Guard, true, true
	for _, v.State = range []interlock.State{interlock.Blocked, interlock.Tripped, interlock.Ready} {
		if s := told.Sentence(&v); v.State != interlock.Ready && !strings.HasSuffix(s, "KEEP OUT: the wind turns the rotors.") {
			t.Errorf("%v: %q", v.State, s)
		}
		if do := told.DoNow(&v, r.env); !strings.HasPrefix(do[0], "Keep out: rotors turn in the wind") {
			t.Errorf("%v: %q", v.State, do)
		}
	}
	if v.State = interlock.Fault; strings.Contains(strings.Join(told.DoNow(&v, r.env), " "), "wind") {
		t.Error("a fault is put down to the wind")
	}
}

// A silence of the craft reads as one event: since when, what had left its limit
// before, what it took along, and whether the craft is heard again.
func TestStatusTellsASilence(t *testing.T) {
	var now time.Duration
	g, err := Open(testFiles(t, t.TempDir(), "flight.toml"), Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return now }})
	must(t, err)
	defer func() { must(t, g.Finish(now)) }()
	tilt := slices.IndexFunc(g.env.Rules, func(r rules.Rule) bool { return r.Name == "tilt" })
	told := interlock.Effect{Kind: interlock.TripEffect, FirstOut: true, Trip: 1, Reason: interlock.ReasonThenSilent, Lasted: 200 * ms,
		Rule: tilt, Channel: rules.Tilt, HasValue: true, Value: 0.4, Limit: 0.35}
	if s, want := interlock.FirstCause(g.env, told), ", then nothing heard from the craft for 0.2 s"; !strings.HasPrefix(s, "tilt: ") || !strings.HasSuffix(s, want) {
		t.Errorf("%q does not say tilt, and then %q", s, want)
	}
	told.HasValue, told.Cause = false, rules.Disagreement
	if s, want := interlock.FirstCause(g.env, told), rules.Disagreement.String()+", then nothing heard from the craft for 0.2 s"; !strings.HasPrefix(s, "tilt: ") || !strings.HasSuffix(s, want) {
		t.Errorf("%q does not say tilt, why it was missing, and then %q", s, want)
	}
	told.HasValue, told.Cause = true, rules.NoCause
	told.Rule, told.Channel = -1, rules.Climb
	if s := interlock.FirstCause(g.env, told); s != "craft.climb 0.4 m/s, then nothing heard from the craft for 0.2 s" {
		t.Errorf("climbing before it: %q", s)
	}
	p := &g.loop.past
	p.take(&interlock.Effect{Kind: interlock.TripEffect, FirstOut: true, Trip: 1, Reason: interlock.ReasonLink, Lasted: 500 * ms, Rule: -1})
	p.take(&interlock.Effect{Kind: interlock.ConsequenceEffect, Trip: 1, Reason: interlock.ReasonRuleMissing, Rule: tilt, Channel: rules.Tilt, Cause: rules.Stale})
	g.Turn(now)
	causes := g.Status().Causes
	if len(causes) != 2 || causes[0].Text != "nothing heard from the craft for 0.5 s" || causes[0].Now != "still so" || causes[0].Part || !causes[1].Part || causes[1].Trip != 1 {
		t.Errorf("causes: %+v", causes)
	}
	if causes[1].Now != "heard again now; reset clears it" { // its demand does not stand here
		t.Errorf("of a channel that is not missing: %q", causes[1].Now)
	}
}

// The first-out is told apart, later trips follow in order, and what people
// did stands with what they did it by (ISA-18.1: first-out held apart from
// later ones until the reset).
func TestStatusTellsCausesAndActs(t *testing.T) {
	var now time.Duration
	files := testFiles(t, t.TempDir(), "flight.toml")
	g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return now }})
	must(t, err)
	defer func() { must(t, g.Finish(now)) }()
	p := &g.loop.past
	p.take(&interlock.Effect{Kind: interlock.NoteEffect, At: time.Second, Reason: interlock.ReasonReset, Line: interlock.Reset})
	p.take(&interlock.Effect{Kind: interlock.StateEffect, At: 2 * time.Second, Reason: interlock.ReasonStart, State: interlock.Closing})
	p.take(&interlock.Effect{Kind: interlock.NoteEffect, On: true, At: 3 * time.Second, Reason: interlock.ReasonNotNow, Line: interlock.Start})
	p.take(&interlock.Effect{Kind: interlock.TripEffect, At: 4 * time.Second, FirstOut: true, Trip: 1, Reason: interlock.ReasonRule, Rule: 0})
	p.take(&interlock.Effect{Kind: interlock.TripEffect, At: 4500 * ms, Trip: 2, Reason: interlock.ReasonEStop, Rule: -1})
	g.wasTold("mark: hum", "local user alice (1000)")
	g.Turn(now)
	s := g.Status()
	if len(s.Causes) != 2 || !s.Causes[0].First || s.Causes[0].Stands == nil || s.Causes[1].First || s.Causes[1].AfterS != 0.5 || s.Causes[1].Stands != nil {
		t.Errorf("causes: %+v", s.Causes)
	}
	var acts []string
	for _, a := range s.Acts {
		acts = append(acts, a.What+" | "+a.By)
	}
	want := "mark: hum | local user alice (1000)\nreset taken | input line reset\nstart | input line start\n" +
		"start not taken: not in this state | input line start\nemergency stop | input line estop_a"
	if got := strings.Join(acts, "\n"); got != want {
		t.Errorf("acts:\n%s\nwant\n%s", got, want)
	}
	for range 40 { // more than there is room for
		p.take(&interlock.Effect{Kind: interlock.TripEffect, Trip: 9, Reason: interlock.ReasonLink, Rule: -1})
		p.take(&interlock.Effect{Kind: interlock.NoteEffect, On: true, Reason: interlock.ReasonNotNow, Line: interlock.End})
	}
	now += time.Second
	g.Turn(now)
	if s := g.Status(); len(s.Causes) != mostTrips || len(s.Acts) != answers.MostActs || !s.Causes[0].First {
		t.Errorf("%d causes, %d acts", len(s.Causes), len(s.Acts))
	}
	p.take(&interlock.Effect{Kind: interlock.NoteEffect, Reason: interlock.ReasonReset, Line: interlock.Reset})
	now += time.Second
	g.Turn(now)
	if s := g.Status(); len(s.Causes) != 0 {
		t.Errorf("%d causes after the reset", len(s.Causes))
	}
}
