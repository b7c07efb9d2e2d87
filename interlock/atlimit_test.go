package interlock

import (
	"testing"
	"time"

	"downhaul/rules"
)

// A decision on record names its rule and its permissive, the first ones too, with the
// limit in its unit; one that is none of the envelope's is not named, and nothing
// falls over. What a reader of the log searches for stands here as it is written.
func TestDecisionsAsTheyAreWritten(t *testing.T) {
	env := &rules.Envelope{
		Rules:       []rules.Rule{{Name: "ceiling", Watch: rules.Apex, Form: rules.Above, Limit: 7}, {Name: "snatch", Watch: rules.Tension, Form: rules.RisingFaster, Limit: 500}},
		Permissives: []rules.Permissive{{Name: "calm", Watch: rules.WindSpeed, Form: rules.Below, Limit: 5}, {Name: "l\"a\\te\n\x1f°", Watch: rules.WindSpeed}},
	}
	for want, f := range map[string]Effect{
		`{"at_ns":1,"kind":"relay","on":true}`:                                                                {Kind: RelayEffect, At: 1, On: true},
		`{"at_ns":2,"kind":"heartbeat","on":false}`:                                                           {Kind: BeatEffect, At: 2},
		`{"at_ns":3,"kind":"sound","sound":"tripped"}`:                                                        {Kind: SoundEffect, At: 3, Sound: SoundTripped},
		`{"at_ns":4,"kind":"lamp","state":"live"}`:                                                            {Kind: LampEffect, At: 4, State: Live},
		`{"at_ns":5,"kind":"state","from":"live","state":"tripped","reason":"past a limit","rule":"ceiling"}`: {Kind: StateEffect, At: 5, From: Live, State: Tripped, Reason: ReasonRule, Rule: 0, Permissive: -1},
		`{"at_ns":6,"kind":"trip","trip":12,"first_out":true,"stop":"immediate","lasted_ns":1,"reason":"past a limit","rule":"ceiling","channel":"craft.apex","value":7.5,"limit":7,"unit":"m"}`: {
			Kind: TripEffect, At: 6, Trip: 12, FirstOut: true, Stop: rules.Immediate, Lasted: 1, Reason: ReasonRule, Rule: 0, Permissive: -1, Channel: rules.Apex, HasValue: true, Value: 7.5, Limit: 7},
		`{"at_ns":7,"kind":"consequence","trip":13,"stop":"controlled","reason":"channel missing","rule":"snatch","channel":"tether.tension","limit":500,"unit":"N/s","cause":"too old"}`: {
			Kind: ConsequenceEffect, At: 7, Trip: 13, Stop: rules.Controlled, Reason: ReasonRuleMissing, Rule: 1, Permissive: -1, Channel: rules.Tension, Limit: 500, Cause: rules.Stale},
		`{"at_ns":8,"kind":"caution","on":true,"reason":"past a limit"}`: {Kind: CautionEffect, At: 8, On: true, Reason: ReasonRule, Rule: 2, Permissive: -1},
		`{"at_ns":8,"kind":"caution","on":true,"reason":"past a limit","channel":"tether.tension","value":2,"limit":1,"unit":"N"}`: {
			Kind: CautionEffect, At: 8, On: true, Reason: ReasonRule, Rule: 2, Permissive: -1, Channel: rules.Tension, HasValue: true, Value: 2, Limit: 1},
		`{"at_ns":9,"kind":"clear"}`: {Kind: ClearEffect, At: 9, Rule: -1, Permissive: -1},
		`{"at_ns":10,"kind":"note","on":true,"permissive":"calm","channel":"wind.speed","value":6,"limit":5,"unit":"m/s"}`: {
			Kind: NoteEffect, At: 10, On: true, Rule: -1, Permissive: 0, Channel: rules.WindSpeed, HasValue: true, Value: 6, Limit: 5},
		`{"at_ns":11,"kind":"note","on":true,"permissive":"l\"a\\te  °"}`:                                 {Kind: NoteEffect, At: 11, On: true, Rule: -1, Permissive: 1},
		`{"at_ns":12,"kind":"note","on":false}`:                                                           {Kind: NoteEffect, At: 12, Rule: -1, Permissive: 2},
		`{"at_ns":13,"kind":"note","on":true,"number":12,"channel":"wind.speed","value":6}`:               {Kind: NoteEffect, At: 13, On: true, Trip: 12, Rule: -1, Permissive: -1, Channel: rules.WindSpeed, HasValue: true, Value: 6},
		`{"at_ns":14,"kind":"note","on":true,"line":"` + EStopA.String() + `","reason":"emergency stop"}`: {Kind: NoteEffect, At: 14, On: true, Line: 0, Reason: ReasonEStop, Rule: -1, Permissive: -1},
		`{"at_ns":15,"kind":"note","on":true,"reason":"look here"}`:                                       {Kind: NoteEffect, At: 15, On: true, Line: LineCount, Reason: ReasonMark, Rule: -1, Permissive: -1},
	} {
		if got := string(AppendDecision(nil, env, f)); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// A gap between two frames is a silence from the period of link.age on.
func TestSilenceFromItsPeriodOn(t *testing.T) {
	for gap, want := range map[time.Duration]time.Duration{heardFor - 1: 0, heardFor: heardFor} {
		e := bases(t)[1].twin(t).e
		e.unheard = unheard{trip: 1, rule: -1}
		at := e.lastFrame + gap
		if e.Step(max(at, e.now), &Input{Kind: FrameInput}); e.lastFrame == at && e.unheard.silent != want {
			t.Errorf("a gap of %v: a silence of %v", gap, e.unheard.silent)
		} else if e.lastFrame != at {
			t.Errorf("the engine is at %v already, want %v", e.now, at)
		}
	}
	for s, want := range map[float64]time.Duration{2e9: 2e18, 2.3e9: 2_300_000_000_000_000_000, 2.4e9: rules.Never / 4, 0.5: 500 * time.Millisecond} {
		if got := seconds(s); got != want {
			t.Errorf("%v s is %v ns, want %v", s, int64(got), int64(want))
		}
	}
}

// Records that are no longer where they were kept are not kept, the first one either;
// none is before it is told.
func TestRecordsAreKeptAsTold(t *testing.T) {
	for _, c := range []struct{ trips, kept, told, want uint32 }{{3, 2, 0, 0}, {3, 0, 1, 1}, {3, 2, 1, 2}, {3, 1, 3, 3}, {3, 1, 4, 3}, {0, 0, 5, 0}, {1, 1, 0, 0}} {
		e := bases(t)[1].twin(t).e
		e.latch.trips, e.latch.kept = c.trips, c.kept
		if e.latch.keep(c.told); e.latch.kept != c.want {
			t.Errorf("of %d, %d kept, told %d: %d kept, want %d", c.trips, c.kept, c.told, e.latch.kept, c.want)
		}
	}
}

// The age of a value that people see is the time since it was last good.
func TestAgeThatIsShown(t *testing.T) {
	e := bases(t)[1].twin(t).e
	for i := range e.env.Rules {
		e.Advance(e.now + time.Millisecond)
		h := e.limits.Health(e.env.Rules[i].Watch)
		want := rules.Never
		if h.Heard {
			want = e.now - h.Good
		}
		if v := e.ruleView(i); v.Age != want || h.Heard && v.Age > time.Minute {
			t.Errorf("rule %d: %v old, want %v", i, v.Age, want)
		}
	}
}

// What a built-in demand rests on, and after how long that is old: height and the pull
// of a step on the ground after 0.3 s (the plan's table of stale times); the pull is
// behind it only while the height is seen.
func TestWhatABuiltInDemandRestsOn(t *testing.T) {
	const old = 300 * time.Millisecond
	e := busyRig(t).e
	for _, c := range []struct {
		why        Reason
		heightSeen bool
		id         rules.ChannelID
		stale      time.Duration
	}{
		{ReasonLink, false, rules.LinkAge, 0}, {ReasonHeightLost, true, rules.Height, old}, {ReasonEStop, false, rules.NoChannel, 0},
		{ReasonGroundUnseen, false, rules.Height, old}, {ReasonGroundUnseen, true, rules.Tension, old},
	} {
		if e.disarm(timerGroundHeight); c.heightSeen {
			e.arm(timerGroundHeight, time.Hour)
		}
		if id, stale := e.restsOn(c.why, -1); id != c.id || stale != c.stale {
			t.Errorf("%v with height seen %v rests on %v, old after %v; want %v, %v", c.why, c.heightSeen, id, stale, c.id, c.stale)
		}
	}
}

// A trip, or what stands behind one, is that the stop of a rule or an interlock became
// due itself; a silence behind an excursion is not the excursion's own, and nothing
// else demands.
func TestWhatDemands(t *testing.T) {
	for kind := range effectKindCount {
		for _, why := range []Reason{ReasonRule, ReasonLink, ReasonThenSilent} {
			want := kind == ConsequenceEffect || kind == TripEffect && why != ReasonThenSilent
			if f := (Effect{Kind: kind, Reason: why}); f.Demands() != want {
				t.Errorf("kind %d because of %v demands: %v", kind, why, !want)
			}
		}
	}
}
