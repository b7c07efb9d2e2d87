package interlock

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"downhaul/interlock/day/derived"
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
		{"as low as agrees", func(r *rig) {
			r.glide(1, 2*time.Second)
			r.set(rules.HeightGlobal, math.Nextafter(1, 0), rules.Good)
		}, ""},
		{"higher", func(r *rig) {
			r.set(rules.CraftLanded, 0, rules.Good)
			r.set(rules.CraftArmed, 1, rules.Good)
			r.glide(1, 2*time.Second)
			r.set(rules.HeightGlobal, 1, rules.Good)
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
		{"higher", func(r *rig) { r.set(rules.HeightGlobal, 0.3, rules.Good) }, ReasonEnd},
		{"as loud as down", func(r *rig) { r.set(rules.Motor1Output, 0.25, rules.Good) }, ReasonDown},
		{"louder", func(r *rig) { r.set(rules.Motor1Output, math.Nextafter(0.25, 1), rules.Good) }, ReasonEnd},
		{"landed not told", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Missing) }, ReasonEnd},
		{"climbing no faster than may be", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Good); r.set(rules.ClimbGlobal, 0.5, rules.Good) }, ReasonEnd},
		{"faster", func(r *rig) { r.set(rules.CraftLanded, 0, rules.Good); r.set(rules.ClimbGlobal, 0.51, rules.Good) }, ReasonClimbing},
	} {
		r := bases(t)[1].twin(t)
		r.press(End, 100*time.Millisecond)
		if r.e.latch.state != Lowering {
			t.Fatalf("end leads to %v", r.e.latch.state)
		}
		r.glide(0.3, 2*time.Second)
		r.set(rules.HeightGlobal, math.Nextafter(0.3, 0), rules.Good)
		r.set(rules.CraftLanded, 1, rules.Good)
		r.set(rules.Motor1Output, 0, rules.Good)
		c.change(r)
		r.run(downFor + 500*time.Millisecond)
		if r.e.latch.why != c.want || (r.e.latch.state == Lowering) != (c.want == ReasonEnd) {
			t.Errorf("%s: %v (%v), want %v", c.name, r.e.latch.state, r.e.latch.why, c.want)
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
		e.Step(e.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: 100 - back, Quality: rules.Good}})
		if e.Advance(e.now + 1); e.latch.state != want {
			t.Errorf("back by %v s: %v, want %v", back, e.latch.state, want)
		}
	}
}

// A reset that was accepted does not outlast a time in which nobody looked.
func TestStallTakesTheResetAway(t *testing.T) {
	for _, gate := range []bool{true, false} {
		r := busyRig(t, func(s *Site) { s.Fitted[Gate] = gate })
		r.run(100 * time.Millisecond)
		r.press(Reset, 300*time.Millisecond)
		if r.e.latch.state != Blocked || !r.e.latch.resetDone {
			t.Fatalf("%v, reset accepted %v", r.e.latch.state, r.e.latch.resetDone)
		}
		r.now += 60 * time.Millisecond
		r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: 60})
		if r.run(15 * time.Second); r.e.latch.state != Blocked || r.e.latch.resetDone {
			t.Errorf("gate %v, after the stall: %v, reset accepted %v", gate, r.e.latch.state, r.e.latch.resetDone)
		}
		r.press(Reset, 300*time.Millisecond)
		if r.run(11 * time.Second); r.e.latch.state != Ready {
			t.Errorf("gate %v, reset anew: %v", gate, r.e.latch.state)
		}
	}
}

// Every host event is known, and nothing beside them.
func TestHostsThatAreKnown(t *testing.T) {
	for h := range Host(255) {
		if want := h >= HostKept && h <= HostBroken; h.Known() != want {
			t.Errorf("host event %d is known: %v", h, !want)
		}
	}
}

// A contact that opens just before the power goes off for another reason has not
// opened by itself: that is no further trip.
func TestBounceEndsWithThePower(t *testing.T) {
	r := busyRig(t)
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	r.run(11 * time.Second)
	r.press(Start, 200*time.Millisecond)
	for range 400 {
		if r.run(r.tick); r.e.latch.state == Live {
			break
		}
	}
	if !r.e.latch.runs(timerBounce) {
		t.Fatalf("%v: no contact bounces", r.e.latch.state)
	}
	var trips []Reason
	r.seen = func(effects []Effect) {
		for _, f := range effects {
			if f.Kind == TripEffect {
				trips = append(trips, f.Reason)
			}
		}
	}
	for _, l := range []Line{Readback, EStopA, EStopB} {
		r.lines[l] = false
		r.step(Input{Kind: LineInput, Line: l})
	}
	r.run(time.Second)
	if len(trips) == 0 || trips[0] != ReasonEStop {
		t.Fatalf("tripped by %v", trips)
	}
	for _, why := range trips {
		if why == ReasonReadbackOpened {
			t.Errorf("power was off already: tripped by %v", trips)
		}
	}
}

// Of the lines that are no longer read while others are, each is named, and no other.
func TestSilentLineIsNamed(t *testing.T) {
	r := bases(t)[1].twin(t)
	named := map[Line]int{}
	r.seen = func(effects []Effect) {
		for _, f := range effects {
			if f.Kind == NoteEffect && f.Reason == ReasonPinsSilent && f.On {
				named[f.Line]++
			}
		}
	}
	r.pins = false
	for range 5 {
		for l := range LineCount {
			if r.e.site.Fitted[l] && l != Gate {
				r.step(Input{Kind: LineInput, Line: l, On: r.lines[l]})
			}
		}
		r.run(r.tick)
	}
	if r.e.latch.state != Tripped || len(named) != 1 || named[Gate] != 1 {
		t.Errorf("%v (%v), named %v, want the gate once", r.e.latch.state, r.e.latch.why, named)
	}
}

// Outputs that nobody feeds hold no phase; and one reading that does not agree,
// between two that do, breaks the agreement.
func TestPromise13_OneReadingBreaksTheAgreement(t *testing.T) {
	r := newRig(t, "version = 1\n"+overloadRule, func(s *Site) { s.Fed[rules.Motor1Output] = rules.NotFed })
	r.silence(rules.Motor1Output)
	if r.run(5 * time.Second); r.e.armed || r.e.airborne {
		t.Errorf("without outputs: armed %v, airborne %v", r.e.armed, r.e.airborne)
	}
	for id, c := range map[rules.ChannelID]struct {
		between         [2]float64
		armed, airborne bool
	}{
		rules.Motor1Output: {[2]float64{0.6, 0}, true, true}, rules.HeightGlobal: {[2]float64{1.2, 0.5}, true, true},
		rules.CraftArmed: {[2]float64{1, 0}, true, false}, rules.CraftLanded: {[2]float64{0, 1}, false, true},
	} {
		r = busyRig(t)
		r.fly()
		r.set(rules.HeightGlobal, 0.5, rules.Good)
		r.run(time.Second)
		r.land()
		r.set(rules.HeightGlobal, 0.5, rules.Good)
		r.run(1500 * time.Millisecond)
		for _, v := range c.between {
			r.step(Input{Kind: SampleInput, Sample: Sample{Channel: id, Value: v, Quality: rules.Good}})
		}
		if r.run(1500 * time.Millisecond); r.e.armed != c.armed || r.e.airborne != c.airborne {
			t.Errorf("%v broke it 1.5 s ago: armed %v, airborne %v", id, r.e.armed, r.e.airborne)
		}
		if r.run(time.Second); r.e.armed || r.e.airborne {
			t.Errorf("%v broke it 2.5 s ago: armed %v, airborne %v", id, r.e.armed, r.e.airborne)
		}
	}
}

// Every host event that is only put on record is put there under its own name.
func TestHostEventsAreNotedByName(t *testing.T) {
	for h, want := range map[Host]Reason{
		HostGround: ReasonStep, HostReaction: ReasonReaction, HostCard: ReasonCard, HostLedger: ReasonLedger,
		HostLost: ReasonLost, HostLink: ReasonLink, HostDisk: ReasonDisk, HostProof: ReasonProof, HostStopTime: ReasonStopProven,
		HostMark: ReasonMark, HostDeclared: ReasonDeclared, HostSensor: ReasonSensor,
	} {
		e := bases(t)[1].twin(t).e
		var got []Effect
		for _, f := range e.Step(e.now, &Input{Kind: HostInput, Host: h, On: true, Seq: 300, Sample: Sample{Channel: rules.Tension}}) {
			if f.Kind == NoteEffect {
				got = append(got, f)
			}
		}
		note := Effect{Kind: NoteEffect, At: e.now, Rule: -1, Permissive: -1, On: true, Trip: 300, Reason: want}
		if h == HostSensor { // only a sensor has one
			note.Channel = rules.Tension
		}
		if diff := cmp.Diff([]Effect{note}, got); diff != "" {
			t.Errorf("host event %d is noted otherwise (-want +got):\n%s", h, diff)
		}
	}
}

// The end of a guard that had no power on is noted, by itself.
func TestEndOfAGuardWithoutPowerIsNoted(t *testing.T) {
	r := busyRig(t)
	r.run(time.Second)
	effects := append([]Effect(nil), r.e.Step(r.e.now, &Input{Kind: HostInput, Host: HostEnd})...)
	notes := 0
	for _, f := range append(effects, r.e.Advance(r.e.now+1)...) {
		if f.Kind == NoteEffect && f.Reason == ReasonSessionEnd {
			if notes++; f.Rule != -1 || f.Permissive != -1 {
				t.Errorf("of rule %d and permissive %d", f.Rule, f.Permissive)
			}
		}
	}
	if notes != 1 {
		t.Errorf("%d notes of the end", notes)
	}
}

// A pad that only watches starts nothing, and still tells what it does not hear.
func TestWatchTellsWhatItDoesNotHear(t *testing.T) {
	r := busyRig(t, func(s *Site) { s.Duty = Watch })
	needs := func() map[Need]int {
		all := map[Need]int{}
		r.e.eachUnmet(func(u Unmet) bool { all[u.Need]++; return true })
		return all
	}
	if got := needs(); got[NeedGuardDuty] != 1 || got[NeedLink] != 1 || got[NeedChannel] == 0 {
		t.Errorf("before anything was heard: %v", got)
	}
	if r.run(12 * time.Second); needs()[NeedLink] != 0 || needs()[NeedGuardDuty] != 1 {
		t.Errorf("when it hears: %v", needs())
	}
}

// A longer time until the thrust is gone takes the predicted apex past its limit
// at once, with no sample in between.
func TestPredictedApexFollowsTheReactionAtOnce(t *testing.T) {
	r := newRig(t, "version = 1\n[[rule]]\nname = \"ceiling\"\nwatch = \"craft.apex\"\nabove = \"7 m\"\nstop = \"immediate\"\n", func(s *Site) {
		derive(s, func(c *derived.Config) { c.MaxAcceleration = 20 })
	})
	r.live()
	r.fly()
	r.glide(3, 6*time.Second)
	if r.run(time.Second); r.e.latch.state != Live {
		t.Fatalf("%v (%v)", r.e.latch.state, r.e.latch.why)
	}
	r.e.Step(r.e.now, &Input{Kind: HostInput, Host: HostReaction, Seq: 3000})
	if r.e.Advance(r.e.now + 2); r.e.latch.state != Tripped || r.e.latch.why != ReasonRule {
		t.Errorf("%v (%v), want tripped by the rule", r.e.latch.state, r.e.latch.why)
	}
}

// An anemometer that may be cut asks for a turn by hand, however lately it turned.
func TestSilentAnemometerAsksForATurn(t *testing.T) {
	r := newRig(t, "version = 1\n[[rule]]\nname = \"wind\"\nwatch = \"wind.speed\"\nabove = \"8 m/s\"\nstop = \"controlled\"\ngrace = \"10 s\"\n", func(s *Site) { s.PulsesAlone = true })
	asks := func() (found bool) {
		r.e.eachUnmet(func(u Unmet) bool { found = found || u.Need == NeedTurn; return true })
		return found
	}
	wind := func(v float64, q rules.Quality, why rules.Cause) {
		r.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.WindSpeed, Value: v, Quality: q, Cause: why}})
		r.run(r.tick)
	}
	if r.run(time.Second); !asks() {
		t.Error("before the first pulse it asks for no turn")
	}
	if wind(2, rules.Good, rules.NoCause); asks() {
		t.Error("it turns, and asks for a turn")
	}
	if wind(0, rules.Doubtful, rules.MayBeCut); !asks() {
		t.Error("it may be cut, and asks for no turn")
	}
	if wind(0, rules.Good, rules.NoCause); asks() {
		t.Error("it is a calm, and asks for a turn")
	}
}
