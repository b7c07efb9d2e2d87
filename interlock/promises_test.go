package interlock

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// The promises as far as the engine keeps them. What else belongs to them is
// tested where it lives: the heartbeat's edges and pins (1) in hw and guard,
// the loop's clock (7) in guard, the files and their hashes (9) in rules and
// pad, the named craft (10) in telemetry and intake, the trip log (11) in
// triplog, the network (12) in guard and panel. The scripts show each at work.

// alongStreams lets things happen at a pad and looks at every answer.
func alongStreams(t *testing.T, look func(rt *rapid.T, r *rig, effects []Effect)) {
	all := append(bases(t), bases(t, watchDuty)[1])
	rapid.Check(t, func(rt *rapid.T) {
		r := rapid.SampledFrom(all).Draw(rt, "base").twin(t)
		r.seen = func(effects []Effect) { look(rt, r, effects) }
		for range rapid.IntRange(1, 12).Draw(rt, "happenings") {
			r.happen(rt)
		}
	})
}

func TestPromise02_ImmediateStopInTheVeryCall(t *testing.T) {
	live := bases(t)[1]
	opens := func(what string, effects []Effect) {
		t.Helper()
		if len(effects) < 2 || effects[0].Kind != RelayEffect || effects[0].On || effects[1].Kind != BeatEffect || effects[1].On {
			t.Errorf("%s: the answer does not begin with relay off and heartbeat off: %v", what, effects)
		}
	}
	for _, s := range []Sample{
		{Channel: rules.ESCFailures, Value: 1}, {Channel: rules.Roll, Value: 0.6}, {Channel: rules.Roll, Value: -0.6},
		{Channel: rules.ESCFailures, Value: 1, Quality: rules.Doubtful},
	} {
		r := live.twin(t)
		if s.Quality == rules.Missing {
			s.Quality = rules.Good
		}
		opens(s.Channel.String(), r.e.Step(r.now+time.Millisecond, &Input{Kind: SampleInput, Sample: s}))
	}
	// The predicted top: 3.1 m, and 7 m/s up for 0.3 s and the coast.
	r := live.twin(t)
	r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.ClimbGlobal, Value: 7, Quality: rules.Good}})
	opens("craft.apex", r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.HeightGlobal, Value: 3.1, Quality: rules.Good}}))
	// By time alone: the end of an on-delay, of a staleness, of the link.
	r = live.twin(t)
	r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: 1801, Quality: rules.Good}})
	for at := r.now; at < r.now+19*time.Millisecond; at += time.Millisecond {
		if f := r.e.Advance(at); len(f) > 0 {
			t.Fatalf("too early, at %v after: %v", at-r.now, f)
		}
	}
	for at := r.now + 20*time.Millisecond; at < r.now+40*time.Millisecond; at += 10 * time.Millisecond {
		for l := range LineCount {
			if r.e.site.Fitted[l] {
				r.e.Step(at-1, &Input{Kind: LineInput, Line: l, On: r.lines[l]})
			}
		}
	}
	if f := r.e.Advance(r.now + 40*time.Millisecond - 1); len(f) > 0 {
		t.Fatalf("a nanosecond too early: %v", f)
	}
	opens("the end of the on-delay", r.e.Advance(r.now+40*time.Millisecond))
	r = live.twin(t)
	opens("a late wake-up", r.e.Advance(r.now+time.Hour))
	for _, in := range []Input{
		{Kind: HostInput, Host: HostStalled}, {Kind: HostInput, Host: HostClash}, {Kind: HostInput, Host: HostRelayFailed, On: true},
		{Kind: LineInput, Line: EStopA}, {Kind: LineInput, Line: EStopB}, {Kind: LineInput, Line: Gate}, {Kind: LineInput, Line: Readback},
		{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: 1, Quality: rules.Good}},
	} {
		r := live.twin(t)
		opens(fmt.Sprintf("%+v", in), r.e.Step(r.now, &in))
	}
}

func TestPromise03_MissingIsViolating(t *testing.T) {
	immediate := func(id rules.ChannelID) bool {
		return slices.Contains([]rules.ChannelID{
			rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightClearance, rules.HeightRange, rules.AltitudeSea,
			rules.ClimbGlobal, rules.ClimbLocal, rules.ClimbHUD, rules.Roll, rules.Pitch, rules.Yaw,
			rules.RollRate, rules.PitchRate, rules.YawRate, rules.Tension, rules.WinchTension, rules.LinkLoss}, id)
	}
	tried := 0
	for _, c := range rules.Catalogue() {
		if c.Derived || c.Kind == rules.Flag || c.ID == rules.LinkAge || c.ID == rules.CraftBootClock {
			continue
		}
		tried++
		rule := rules.Rule{Name: "r", Watch: c.ID, Form: rules.Above, Limit: c.High - (c.High-c.Low)/4, Stop: rules.Controlled, Grace: 10 * time.Second,
			StaleAfter: c.Stale, MissingStop: rules.Controlled, MissingGrace: 5 * time.Second}
		if immediate(c.ID) {
			rule.MissingStop, rule.MissingGrace = rules.Immediate, 0
		}
		site := plainSite()
		site.Duty = Guard
		site.Fed[c.ID] = rules.CraftSays
		e, err := New(&rules.Envelope{Rules: []rules.Rule{rule}}, site)
		if err != nil {
			t.Fatal(err)
		}
		e.latch.state, e.latch.closed, e.latch.relayOn, e.latch.beatOn = Live, true, true, true // as if started
		good := Sample{Channel: c.ID, Value: c.Low, Quality: rules.Good}
		e.Step(0, &Input{Kind: SampleInput, Sample: good})
		// What is no reading keeps nothing fresh.
		for i, bad := range []Sample{{Channel: c.ID}, {Channel: c.ID, Value: c.Low, Quality: rules.Doubtful}, {Channel: c.ID, Value: c.High + 1, Quality: rules.Good}} {
			if f := e.Step(time.Duration(i+1), &Input{Kind: SampleInput, Sample: bad}); len(f) > 0 {
				t.Errorf("%s: %+v brought %v", c.Name, bad, f)
			}
		}
		if f := e.Advance(c.Stale - 1); len(f) > 0 {
			t.Errorf("%s: missing too early: %v", c.Name, f)
		}
		want, effects := Lowering, slices.Clone(e.Advance(c.Stale))
		e.Advance(c.Stale + 1)
		if immediate(c.ID) {
			want = Tripped
		}
		if e.latch.state != want || !slices.ContainsFunc(effects, func(f Effect) bool { return f.Kind == TripEffect && f.At == c.Stale && f.FirstOut }) {
			t.Errorf("%s: silent for %v is %v, want %v: %v", c.Name, c.Stale, e.latch.state, want, effects)
		}
	}
	if tried < 90 {
		t.Errorf("only %d channels tried", tried)
	}
	// Unknown means armed and airborne.
	var v View
	busyRig(t).e.View(&v)
	if !v.Armed || !v.Airborne {
		t.Error("a craft that was never heard counts as disarmed or as landed")
	}
}

//fault:row a new cause comes and goes while reset is held | that press is void, on record already or not; it must be pressed again
func TestPromise04_TripLatches(t *testing.T) {
	moves := map[[2]State]int{}
	var heldFor time.Duration
	all := bases(t)
	stream := func(rt *rapid.T) {
		r := rapid.SampledFrom(all).Draw(rt, "base").twin(t)
		var pressed, released, started, caused time.Duration // the instant of each
		r.tap = func(at time.Duration, i *Input) {
			switch {
			case i != nil && (i.Kind == HostInput && (i.Host == HostStalled || i.Host == HostClash) || i.Kind == SampleInput && i.Sample.Channel == rules.ESCFailures && i.Sample.Value > 0):
				caused = at // on record or not
				return
			case i == nil || i.Kind != LineInput:
				return
			case i.Line == Start && i.On:
				started = at
				return
			case i.Line != Reset:
				return
			case !i.On:
				released = at
			}
			if l := &r.e.latch.lines[Reset]; i.On && !l.on {
				pressed = at
			} else {
				heldFor = at - pressed
			}
		}
		r.seen = func(effects []Effect) {
			for _, f := range effects {
				if f.Kind == TripEffect || f.Kind == ConsequenceEffect {
					caused = max(caused, f.At)
				}
				if f.Kind != StateEffect || f.From == f.State {
					continue
				}
				e := r.e
				moves[[2]State{f.From, f.State}]++
				switch {
				case f.From == Tripped && f.State == Fault:
				case f.From == Tripped || f.From == Fault:
					if f.State != Blocked || f.Reason != ReasonReset || f.At != released {
						rt.Fatalf("%v was left to %v by %v", f.From, f.State, f.Reason)
					}
					if e.latch.standing > 0 || e.armed || e.latch.kept < e.latch.trips || e.latch.mirrorClosed() || e.powerRemains(f.At) {
						rt.Fatalf("a reset passed with %d causes standing, armed %v, %d of %d records kept", e.latch.standing, e.armed, e.latch.kept, e.latch.trips)
					}
					if caused > pressed {
						rt.Fatalf("a reset that was pressed at %v passed for a cause at %v", pressed, caused)
					}
					if heldFor < e.site.ResetShortest || heldFor > e.site.ResetLongest {
						rt.Fatalf("a reset held for %v passed", heldFor)
					}
				case f.State == Closing:
					if f.From != Ready || f.At != started {
						rt.Fatalf("closing from %v by %v", f.From, f.Reason)
					}
				case f.State == Live:
					if f.From != Closing {
						rt.Fatalf("live from %v", f.From)
					}
				case f.From == Lowering:
					if f.State != Tripped && f.State != Fault && f.Reason != ReasonHold && f.Reason != ReasonSessionEnd {
						rt.Fatalf("a controlled stop ended in %v by %v", f.State, f.Reason)
					}
				}
			}
		}
		for range rapid.IntRange(1, 12).Draw(rt, "happenings") {
			r.happen(rt)
			if (r.e.latch.state == Tripped || r.e.latch.state == Fault) && rapid.IntRange(0, 2).Draw(rt, "reset is held") == 0 {
				r.heldReset(rt)
			}
		}
	}
	wanted := [][2]State{{Tripped, Blocked}, {Fault, Blocked}, {Ready, Closing}, {Closing, Live}, {Live, Tripped}, {Live, Lowering},
		{Lowering, Tripped}, {Tripped, Fault}, {Ready, Blocked}, {Blocked, Ready}}
	untilSeen(t, func() { rapid.Check(t, stream) }, func() string {
		for _, m := range wanted {
			if moves[m] == 0 {
				return fmt.Sprintf("%v to %v was never seen", m[0], m[1])
			}
		}
		return ""
	})
}

// A button that is found pressed or never released does nothing, in whatever
// state.
func TestPromise04_TapedDownButtonDoesNothing(t *testing.T) {
	for _, l := range []Line{Reset, Start} {
		r := busyRig(t)
		r.lines[l] = true
		other := Reset + Start - l
		for range 20 {
			r.press(other, 300*time.Millisecond)
			r.run(time.Second)
			if r.e.latch.closed || l == Reset && r.e.latch.resetDone || r.e.latch.state == Closing {
				t.Fatalf("with %v taped down: %v", l, r.e.latch.state)
			}
		}
	}
}

func TestPromise05_NothingResumesByItself(t *testing.T) {
	for _, c := range []struct {
		before PowerUp
		duty   Duty
		want   State
	}{{EndedCleanly, Guard, Blocked}, {EndedInTrip, Guard, Tripped}, {EndedInFault, Guard, Fault}, {EndedCleanly, Watch, Blocked}} {
		r := busyRig(t, func(s *Site) { s.PowerUp, s.Duty = c.before, c.duty })
		effects := r.e.Advance(0)
		if r.e.latch.state != c.want || len(effects) < 3 || effects[0].Kind != RelayEffect || effects[0].On || effects[1].Kind != BeatEffect || effects[1].On {
			t.Fatalf("power-up after %v came up %v with %v, want %v", c.before, r.e.latch.state, effects, c.want)
		}
		r.run(15 * time.Second)
		if r.e.latch.state == Ready || r.e.latch.relayOn || r.e.latch.beatOn {
			t.Errorf("power-up after %v went on to %v by itself", c.before, r.e.latch.state)
		}
	}
	// Without the two buttons nothing that happens closes the chain, and what
	// is opened stays open.
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		e := base.e.Clone()
		open := !e.latch.closed
		for _, s := range log {
			if s.in == nil {
				e.Advance(s.at)
			} else if s.in.Kind != LineInput || s.in.Line != Reset && s.in.Line != Start {
				e.Step(s.at, s.in)
			}
			if open && (e.latch.closed || e.latch.relayOn || e.latch.beatOn) {
				rt.Fatalf("it closed by itself at %v", s.at)
			}
			open = open || !e.latch.closed
		}
	})
}

func TestPromise06_OpeningIsVerified(t *testing.T) {
	live := bases(t)[1]
	faults := 0
	for _, ms := range []int{1, 30, 199, 200, 201, 250, 500} {
		r := live.twin(t)
		r.tick = time.Millisecond
		r.step(Input{Kind: HostInput, Host: HostStalled})
		r.change = r.now + time.Duration(ms)*time.Millisecond // when the contactor follows
		r.set(rules.Motor1Speed, 0, rules.Good)
		r.run(700 * time.Millisecond)
		// Read open at the very end of the drop-out time is too late.
		if want := ms >= 200; (r.e.latch.state == Fault) != want {
			t.Errorf("a contactor that drops out after %d ms is %v", ms, r.e.latch.state)
		} else if want {
			faults++
		}
	}
	if faults != 4 {
		t.Errorf("%d faults", faults)
	}
	// Rotors: what they do before the window is over does not matter, what they
	// do at its end does.
	for _, c := range []struct {
		stops time.Duration
		want  State
	}{{1990 * time.Millisecond, Tripped}, {2010 * time.Millisecond, Fault}} {
		r := live.twin(t)
		r.step(Input{Kind: HostInput, Host: HostStalled})
		r.run(c.stops - 10*time.Millisecond)
		r.set(rules.Motor1Speed, 0.9, rules.Good)
		r.run(time.Second)
		if r.e.latch.state != c.want {
			t.Errorf("rotors that stop after %v: %v, want %v", c.stops, r.e.latch.state, c.want)
		}
	}
}
