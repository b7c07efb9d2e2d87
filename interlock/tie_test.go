package interlock

import (
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// What falls on one instant acts in an order that is on the safe side.

// A condition for starting that goes stale in the instant in which the relay
// would close keeps it open: not even for that instant is anything closed.
func TestNothingClosesInTheInstantInWhichItMustOpen(t *testing.T) {
	for _, c := range []struct {
		what  string
		stale time.Duration // after which it acts
		rule  bool
	}{{"condition", time.Second, false}, {"rule", 50 * time.Millisecond, true}} {
		r := busyRig(t)
		r.run(12 * time.Second)
		r.press(Reset, 300*time.Millisecond)
		r.lines[Start] = true
		r.run(r.tick)
		if r.e.latch.state != Closing {
			t.Fatalf("%v", r.e.latch.state)
		}
		end := r.e.latch.since + r.e.site.Horn
		id := rules.SupplyVoltage // its rules wait longer or only warn
		if c.rule {
			id = rules.Tension
		}
		for r.now < end-c.stale {
			r.run(r.tick)
		}
		r.silence(id) // last heard at end − stale
		for r.now < end-r.tick {
			r.run(r.tick)
		}
		for _, at := range []time.Duration{end, end + 1} {
			for _, f := range r.e.Advance(at) {
				if (f.Kind == RelayEffect || f.Kind == BeatEffect) && f.On {
					t.Errorf("the chain was closed at the end of the horn, when a %s had just gone stale", c.what)
				}
			}
		}
		if r.e.latch.state == Closing || r.e.latch.closed {
			t.Errorf("a %s that goes stale at the end of the horn leaves %v", c.what, r.e.latch.state)
		}
	}
}

// The words "disarmed" and "landed" that grow too old in one instant leave
// neither phase.
func TestBothWordsOldAtOnce(t *testing.T) {
	r := busyRig(t)
	r.run(5 * time.Second)
	if r.e.armed || r.e.airborne {
		t.Fatal("still armed or airborne")
	}
	at := r.now
	r.e.Step(at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftArmed, Quality: rules.Good}})
	later := at + rules.CraftArmed.Stale() - rules.CraftLanded.Stale()
	r.e.Step(later, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftLanded, Value: 1, Quality: rules.Good}})
	due := at + rules.CraftArmed.Stale()
	if r.e.Advance(due - 1); r.e.armed || r.e.airborne {
		t.Error("a nanosecond too early")
	}
	if r.e.Advance(due); !r.e.armed || !r.e.airborne {
		t.Errorf("armed %v, airborne %v", r.e.armed, r.e.airborne)
	}
}

// Outputs marked as unused are idle; one that is used and not idle is not.
func TestUnusedOutputsAreIdle(t *testing.T) {
	for _, c := range []struct {
		second Sample
		idle   bool
	}{
		{Sample{Value: 0.1, Quality: rules.Good}, true}, {Sample{Value: 0.15, Quality: rules.Good}, true}, {Sample{Value: 0.5, Quality: rules.Good}, false},
		{Sample{Value: 0.1, Quality: rules.Doubtful}, false}, {Sample{Cause: rules.Sentinel}, true}, {Sample{Cause: rules.OutOfRange}, false},
	} {
		r := busyRig(t, func(s *Site) { derive(s, func(c *derived.Config) { c.Motors = 2 }) })
		now := time.Second
		r.e.Step(now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Motor1Output, Cause: rules.Sentinel}})
		c.second.Channel = rules.Motor1Output + 1
		r.e.Step(now, &Input{Kind: SampleInput, Sample: c.second})
		if got := r.e.outputsBelow(now, r.e.site.IdleOutput); got != c.idle {
			t.Errorf("one unused, the other %+v: idle %v", c.second, got)
		}
		if got := r.e.outputsBelow(now+rules.Motor1Output.Stale(), r.e.site.IdleOutput); got != c.idle {
			t.Errorf("one unused, the other %+v: idle %v as it grows old", c.second, got)
		}
		if r.e.outputsBelow(now+rules.Motor1Output.Stale()+1, r.e.site.IdleOutput) {
			t.Errorf("one unused, the other %+v: idle though too old", c.second)
		}
	}
}
