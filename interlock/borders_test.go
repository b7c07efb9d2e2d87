package interlock

import (
	"math"
	"testing"
	"time"

	"downhaul/rules"
)

// A phase is left only by agreement of all that is told: each word alone at the
// border of what agrees, and past it.
func TestPromise13_APhaseIsLeftAtTheBordersOfAgreement(t *testing.T) {
	const armed, air = "armed", "armed, airborne"
	for _, c := range []struct {
		name   string
		change func(*rig)
		want   string
	}{
		{"all agrees", func(*rig) {}, ""},
		{"as low as agrees", func(r *rig) { r.glide(1, 2*time.Second); r.set(rules.HeightGlobal, 1, rules.Good) }, ""},
		{"higher", func(r *rig) {
			r.set(rules.CraftLanded, 0, rules.Good)
			r.set(rules.CraftArmed, 1, rules.Good)
			r.glide(1, 2*time.Second)
			r.set(rules.HeightGlobal, math.Nextafter(1, 2), rules.Good)
			r.set(rules.CraftLanded, 1, rules.Good)
			r.set(rules.CraftArmed, 0, rules.Good)
		}, air},
		{"a height in doubt", func(r *rig) { r.set(rules.HeightGlobal, 0, rules.Doubtful) }, air},
		{"outputs as low as agrees", func(r *rig) { r.set(rules.Motor1Output, 0.15, rules.Good) }, ""},
		{"outputs higher", func(r *rig) { r.set(rules.Motor1Output, math.Nextafter(0.15, 1), rules.Good) }, air},
		{"outputs in doubt", func(r *rig) { r.set(rules.Motor1Output, 0, rules.Doubtful) }, air},
		{"outputs that are marked as unused", func(r *rig) { r.set(rules.Motor1Output, 0, rules.Missing) }, ""},
		{"outputs that are no longer told", func(r *rig) { r.silence(rules.Motor1Output) }, air},
		{"armed, landed not told", func(r *rig) { r.set(rules.CraftArmed, 1, rules.Good); r.set(rules.CraftLanded, 0, rules.Missing) }, air},
		{"disarmed, landed not told", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Missing) }, ""},
		{"armed, landed", func(r *rig) { r.set(rules.CraftArmed, 1, rules.Good) }, armed},
		{"armed not told, landed", func(r *rig) { r.set(rules.CraftArmed, 0, rules.Missing) }, armed},
		{"neither told", func(r *rig) { r.set(rules.CraftArmed, 0, rules.Missing); r.set(rules.CraftLanded, 0, rules.Missing) }, air},
		{"disarmed, in the air", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Good) }, "airborne"},
	} {
		r := busyRig(t)
		r.fly()
		r.run(time.Second)
		r.land()
		c.change(r)
		r.run(phaseAgreement + 2500*time.Millisecond) // what is not told is so after 1.5 s
		got := ""
		for _, p := range []struct {
			on   bool
			name string
		}{{r.e.armed, "armed"}, {r.e.airborne, "airborne"}} {
			if p.on && got != "" {
				got += ", "
			}
			if p.on {
				got += p.name
			}
		}
		if got != c.want {
			t.Errorf("%s: the craft counts as %q, want %q", c.name, got, c.want)
		}
	}
}

// While it is brought down, the craft is down when it is landed, low and quiet
// enough; and one that climbs does not obey.
func TestDownAndClimbingAtTheirBorders(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*rig)
		want   Reason
	}{
		{"as high as down", func(*rig) {}, ReasonDown},
		{"higher", func(r *rig) { r.set(rules.HeightGlobal, math.Nextafter(0.3, 1), rules.Good) }, ReasonEnd},
		{"as loud as down", func(r *rig) { r.set(rules.Motor1Output, 0.25, rules.Good) }, ReasonDown},
		{"louder", func(r *rig) { r.set(rules.Motor1Output, math.Nextafter(0.25, 1), rules.Good) }, ReasonEnd},
		{"landed not told", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Missing) }, ReasonEnd},
		{"climbing no faster than may be", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Good); r.set(rules.ClimbGlobal, 0.5, rules.Good) }, ReasonEnd},
		{"faster", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Good); r.set(rules.ClimbGlobal, 0.51, rules.Good) }, ReasonClimbing},
	} {
		r := bases(t)[1].twin(t)
		r.press(End, 100*time.Millisecond)
		if r.e.state != Lowering {
			t.Fatalf("end leads to %v", r.e.state)
		}
		r.glide(0.3, 2*time.Second)
		r.set(rules.HeightGlobal, 0.3, rules.Good)
		r.set(rules.CraftLanded, 1, rules.Good)
		r.set(rules.Motor1Output, 0, rules.Good)
		c.change(r)
		r.run(downFor + 500*time.Millisecond)
		if r.e.why != c.want || (r.e.state == Lowering) != (c.want == ReasonEnd) {
			t.Errorf("%s: %v (%v), want %v", c.name, r.e.state, r.e.why, c.want)
		}
	}
}

// A height that does not read near zero stands in the way of a start until it is
// well inside its bound again.
func TestHeightNearZeroAtItsBorders(t *testing.T) {
	r := busyRig(t)
	for _, c := range []struct {
		height float64
		want   bool
	}{{0, false}, {1, false}, {-1, false}, {1.001, true}, {0.81, true}, {0.8, false}, {0.81, false}, {-1.001, true}, {-0.81, true}, {-0.8, false}} {
		r.set(rules.HeightGlobal, c.height, rules.Good)
		if r.run(5 * time.Second); r.e.heightOff != c.want {
			t.Errorf("at %v m it stands in the way: %v", c.height, !c.want)
		}
	}
}

// A boot clock that runs back by a second is one that was overtaken.
func TestBootClockThatRunsBackAtItsBorder(t *testing.T) {
	for back, want := range map[float64]State{1: Live, 1.001: Tripped} {
		r := bases(t)[1].twin(t)
		e := r.e
		e.maxBoot = 100
		e.Step(e.now, Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: 100 - back, Quality: rules.Good}})
		if e.Advance(e.now + 1); e.state != want {
			t.Errorf("back by %v s: %v, want %v", back, e.state, want)
		}
	}
}

// A reset that was accepted does not outlast a time in which nobody looked.
func TestStallTakesTheResetAway(t *testing.T) {
	r := busyRig(t)
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	if r.e.state != Blocked || !r.e.resetDone {
		t.Fatalf("%v, reset accepted %v", r.e.state, r.e.resetDone)
	}
	r.now += time.Second
	r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: 1000})
	if r.run(15 * time.Second); r.e.state != Blocked || r.e.resetDone {
		t.Errorf("after the stall: %v, reset accepted %v", r.e.state, r.e.resetDone)
	}
	r.press(Reset, 300*time.Millisecond)
	if r.run(11 * time.Second); r.e.state != Ready {
		t.Errorf("reset anew: %v", r.e.state)
	}
}
