package bench

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// What is shown of a channel is what the engine judged, a frozen one as missing; what no
// rule watches is worked out beside it, and the engine learns nothing of it.
func TestWhoLooksOnIsToldWhatTheEngineTook(t *testing.T) {
	env := &rules.Envelope{Rules: []rules.Rule{{Name: "tilt", Watch: rules.Tilt, Form: rules.Above, Limit: 1, Stop: rules.Immediate, StaleAfter: time.Second, FrozenAfter: 3}}}
	o := &onlooker{Derivation: derived.Config{}}
	for _, id := range []rules.ChannelID{rules.Tilt, rules.Roll, rules.Distance} {
		o.looks[id] = true
	}
	site := interlock.DefaultSite()
	site.Derived = o
	for id := range site.Fed {
		site.Fed[id] = rules.CraftSays
	}
	e, err := interlock.New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	for id, want := range map[rules.ChannelID]bool{rules.Roll: true, rules.Pitch: true, rules.North: true, rules.East: true, rules.WindSpeed: false} {
		if e.Wanted()[id] != want {
			t.Errorf("%v: wanted %v", id, !want)
		}
	}
	last := map[rules.ChannelID]limits.Reading{}
	for i := range 6 {
		at := time.Duration(i) * 100 * time.Millisecond
		for id, v := range map[rules.ChannelID]float64{rules.Roll: 0.2, rules.North: 3} {
			e.Step(at, &interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Value: v, Quality: rules.Good}})
		}
		for id, v := range map[rules.ChannelID]float64{rules.Pitch: 0.1, rules.East: 4} {
			e.Step(at, &interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Value: v, Quality: rules.Good}})
		}
		for _, told := range o.look(at) {
			last[told.ID] = told.Reading
		}
		if last[rules.Tilt] != e.Reading(rules.Tilt) {
			t.Errorf("at %v: told %+v, the engine has %+v", at, last[rules.Tilt], e.Reading(rules.Tilt))
		}
	}
	if got := last[rules.Tilt]; got.Cause != rules.Frozen {
		t.Errorf("a tilt that stands still: %+v", got)
	}
	// The triangle of 3, 4 and 5.
	if got := last[rules.Distance]; math.Abs(got.Value-5) > 1e-9 || got.Quality != rules.Good {
		t.Errorf("distance %+v", got)
	}
	if got := e.Reading(rules.Distance); got != (limits.Reading{}) {
		t.Errorf("the engine learned of a channel that it has no use for: %+v", got)
	}
	if _, ok := last[rules.Pitch]; ok {
		t.Error("told of a channel that was not asked for")
	}
}
