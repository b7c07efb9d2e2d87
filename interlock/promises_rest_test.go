package interlock

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

//fault:row engine time that is told to run back | it does not
func TestPromise07_TimeNeverRunsBack(t *testing.T) {
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		// A time before the last one counts as the last one.
		back := slices.Clone(log)
		last := base.e.now
		for i := range back {
			if back[i].at == last && rapid.Bool().Draw(rt, "back") {
				back[i].at -= time.Duration(rapid.Int64Range(1, 5e9).Draw(rt, "by"))
			} else {
				last = back[i].at
			}
		}
		sameDecisions(rt, "with times that run back", told(base.e.env, decide(base.e.Clone(), log)), told(base.e.env, decide(base.e.Clone(), back)))
	})
}

func TestPromise08_SameInputsSameDecisions(t *testing.T) {
	// The other half, the same on every architecture, is the test of that name.
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		a, b := base.e.Clone(), base.e.Clone()
		sameDecisions(rt, "twice the same", told(a.env, decide(a, log)), told(b.env, decide(b, log)))
		if string(a.AppendState(nil)) != string(b.AppendState(nil)) {
			rt.Fatal("the images differ")
		}
	})
}

func TestPromise09_RefusedWhole(t *testing.T) {
	site := plainSite()
	many := make([]rules.Rule, maxRules+1)
	for i := range many {
		many[i] = rules.Rule{Watch: rules.Tension, Form: rules.Above, Limit: 1, StaleAfter: time.Second}
	}
	for name, env := range map[string]*rules.Envelope{
		"none":                   nil,
		"too many rules":         {Rules: many},
		"no channel":             {Rules: []rules.Rule{{Name: "r"}}},
		"a channel past the end": {Rules: []rules.Rule{{Name: "r", Watch: rules.ChannelCount}}},
		"a derived channel whose part of the pad is not stated": {Rules: []rules.Rule{{Name: "r", Watch: rules.Apex, Form: rules.Above, Limit: 7}}},
	} {
		if e, err := New(env, site); err == nil || e != nil {
			t.Errorf("%s: taken", name)
		}
	}
}

func TestPromise10_TwoSendersTrip(t *testing.T) {
	want := map[State]State{Blocked: Blocked, Ready: Blocked, Closing: Tripped, Live: Tripped, Lowering: Tripped, Tripped: Tripped, Fault: Fault}
	seen := map[State]bool{}
	for _, e := range exploreSeeds(t) {
		from := e.latch.state
		seen[from] = true
		e.Step(e.now, &Input{Kind: HostInput, Host: HostClash})
		if e.latch.state != want[from] || e.latch.closed {
			t.Errorf("two senders in %v: %v, want %v", from, e.latch.state, want[from])
		}
	}
	if len(seen) != int(stateCount) {
		t.Errorf("only %d states tried", len(seen))
	}
}

// What comes by the network comes as frames, samples and host events: none of
// them resets, starts or closes anything.
func TestPromise12_NothingButAButtonLeadsOn(t *testing.T) {
	for _, seed := range exploreSeeds(t) {
		for host := Host(0); host <= hostCount; host++ {
			for _, on := range []bool{false, true} {
				e := seed.Clone()
				closed := e.latch.closed
				for _, f := range e.Step(e.now, &Input{Kind: HostInput, Host: host, On: on, Seq: 1}) {
					if (f.Kind == RelayEffect || f.Kind == BeatEffect) && f.On {
						t.Errorf("host event %d in %v closed something", host, seed.latch.state)
					}
				}
				if e.latch.state == Closing && seed.latch.state != Closing || e.latch.closed && !closed || e.latch.resetDone && !seed.latch.resetDone || seed.latch.state >= Tripped && e.latch.state < Tripped {
					t.Errorf("host event %d led from %v to %v", host, seed.latch.state, e.latch.state)
				}
			}
		}
	}
}

func TestPromise13_PhasesAndRestart(t *testing.T) {
	left := 0
	rapid.Check(t, func(rt *rapid.T) {
		// A naive second opinion on the phases: agreement is looked at after
		// every turn, and must have stood for 2 s without a break.
		r := busyRig(t)
		r.run(3 * time.Second)
		var armedSince, airSince time.Duration = rules.Never, rules.Never // agreement since
		for range rapid.IntRange(1, 30).Draw(rt, "happenings") {
			switch rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				r.set(rules.CraftArmed, float64(rapid.IntRange(0, 1).Draw(rt, "armed")), rules.Good)
			case 1:
				r.set(rules.CraftLanded, float64(rapid.IntRange(0, 1).Draw(rt, "landed")), rules.Good)
			case 2:
				r.set(rules.Motor1Output, rapid.SampledFrom([]float64{0, 0.15, 0.16, 0.6}).Draw(rt, "output"), rules.Good)
			}
			for range rapid.SampledFrom([]int{1, 5, 150, 199, 200, 210}).Draw(rt, "turns") {
				wasArmed, wasAir := r.e.armed, r.e.airborne
				r.run(r.tick)
				value := func(id rules.ChannelID) float64 {
					for _, v := range r.values {
						if v.id == id {
							return v.v
						}
					}
					return -1
				}
				idle := value(rules.Motor1Output) <= 0.15
				// may: it has stood for 2 s, be it only until this very turn (at a
				// tie the timer wins); must: it still does.
				agree := func(since *time.Duration, holds bool) (may, must bool) {
					may = *since != rules.Never && r.now-*since >= 2*time.Second
					if !holds {
						*since = rules.Never
					} else if *since == rules.Never {
						*since = r.now
					}
					return may, may && holds
				}
				disarmed, mustDisarm := agree(&armedSince, value(rules.CraftArmed) == 0 && idle)
				landed, mustLand := agree(&airSince, value(rules.CraftLanded) == 1 && idle)
				if wasArmed && !r.e.armed || wasAir && !r.e.airborne {
					left++
				}
				if wasArmed && !r.e.armed && !disarmed || wasAir && !r.e.airborne && !landed {
					rt.Fatalf("a phase was left at %v without 2 s of agreement", r.now)
				}
				if value(rules.CraftArmed) == 1 && !r.e.armed || value(rules.CraftLanded) == 0 && !r.e.airborne {
					rt.Fatalf("a phase was not entered at once, at %v", r.now)
				}
				if mustDisarm && r.e.armed || mustLand && r.e.airborne {
					rt.Fatalf("a phase still stands at %v, after 2 s of agreement", r.now)
				}
			}
		}
	})
	if left == 0 && !testing.Short() { // -short draws too few cases to be sure of one
		t.Error("no phase was ever left")
	}
	// A boot clock that runs back by more than a second while live.
	live := bases(t)[1]
	for _, c := range []struct {
		back float64
		want State
	}{{0.5, Live}, {1, Live}, {1.5, Tripped}, {100, Tripped}} {
		r := live.twin(t)
		r.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: r.boot - c.back, Quality: rules.Good}})
		if r.e.latch.state != c.want {
			t.Errorf("a boot clock that runs back %v s: %v, want %v", c.back, r.e.latch.state, c.want)
		}
	}
}

func TestPromise14_HeightStepMakesHeightMissing(t *testing.T) {
	live := bases(t)[1]
	for _, c := range []struct {
		step float64
		want rules.Quality
	}{{0.9, rules.Good}, {-0.9, rules.Good}, {1.01, rules.Missing}, {-1.01, rules.Missing}} {
		r := live.twin(t)
		r.set(rules.HeightGlobal, 3+c.step, rules.Good)
		r.run(10 * time.Millisecond)
		if got := r.e.Reading(rules.Height).Quality; got != c.want {
			t.Errorf("a step of %v m without climb leaves the height %v, want %v", c.step, got, c.want)
		}
		r.run(300 * time.Millisecond)
		if tripped := r.e.latch.state == Tripped; tripped != (c.want == rules.Missing) {
			t.Errorf("a step of %v m: %v", c.step, r.e.latch.state)
		}
	}
	// No other source takes over: a fed second height changes nothing.
	r := live.twin(t)
	r.silence(rules.HeightGlobal)
	r.set(rules.HeightLocal, 3, rules.Good)
	r.set(rules.ClimbLocal, 0, rules.Good)
	r.run(310 * time.Millisecond)
	if r.e.latch.state != Tripped {
		t.Errorf("another source of height took over in silence: %v", r.e.latch.state)
	}
}

// One of two rotors is never told: the other, which is heard to turn after its
// time is over, is power that was not removed, and keeps everybody out.
func TestPromise06_OneRotorThatIsHeardIsEnough(t *testing.T) {
	for _, turns := range []rules.ChannelID{rules.Motor1Speed, rules.Motor1Speed + 1} {
		oneRotor(t, turns)
	}
}

func oneRotor(t *testing.T, turns rules.ChannelID) {
	t.Helper()
	r := newRig(t, exploreEnvelope, func(s *Site) { derive(s, func(c *derived.Config) { c.Motors = 2 }) })
	r.silence(rules.Motor1Speed)
	r.set(turns, 0, rules.Good)
	for _, id := range []rules.ChannelID{rules.Motor1Output + 1, rules.ESCFailures} {
		r.set(id, 0, rules.Good)
	}
	r.set(rules.Tension, 500, rules.Good)
	r.live()
	r.set(turns, 40, rules.Good)
	r.press(End, 100*time.Millisecond)
	r.run(1800 * time.Millisecond) // proven in 1 s: the window is 2 s
	var v View
	if r.e.View(&v); r.e.latch.state != Blocked || !v.KeepOut {
		t.Fatalf("%v, keep out %v; want the rotor to have its time", r.e.latch.state, v.KeepOut)
	}
	r.run(200 * time.Millisecond)
	if r.e.View(&v); v.State != Fault || v.Why != ReasonPowerRemains || !v.KeepOut {
		t.Errorf("%v because of %v, keep out %v; want power not removed", v.State, v.Why, v.KeepOut)
	}
	r.set(turns, 0.5, rules.Good)
	r.run(20 * time.Millisecond)
	if r.e.View(&v); v.KeepOut || v.ResetBar != NoReason {
		t.Errorf("it stands: keep out %v, a reset meets %v", v.KeepOut, v.ResetBar)
	}
	// A rotor that may still turn by its own word refuses the reset.
	r.set(turns, 1.5, rules.Good)
	r.run(20 * time.Millisecond)
	if r.e.View(&v); !v.KeepOut || v.ResetBar != ReasonTurning {
		t.Errorf("it turns: keep out %v, a reset meets %v", v.KeepOut, v.ResetBar)
	}
}

// A contactor on board takes the controllers' power as well: they tell a speed of
// nothing at once, while the rotors run down. That opens nobody the way in.
func TestPromise06_ASpeedLostWithThePowerIsNoRotorAtRest(t *testing.T) {
	r := newRig(t, exploreEnvelope, nil) // the rotors stand after 1 s
	r.set(rules.Tension, 500, rules.Good)
	r.set(rules.ESCFailures, 0, rules.Good)
	r.live()
	r.set(rules.Motor1Speed, 40, rules.Good)
	r.run(100 * time.Millisecond)
	r.press(End, 20*time.Millisecond)
	r.set(rules.Motor1Speed, 0, rules.Good)
	var v View
	for r.run(20 * time.Millisecond); r.now < r.e.latch.since+990*time.Millisecond; r.run(20 * time.Millisecond) {
		if r.e.View(&v); v.Closed || !v.KeepOut || r.e.latch.still(r.now) {
			t.Fatalf("%v after the opening: closed %v, keep out %v; the rotors may turn for 1 s", r.now-r.e.latch.since, v.Closed, v.KeepOut)
		}
	}
	r.run(60 * time.Millisecond)
	if r.e.View(&v); v.KeepOut {
		t.Error("they had their time and are told to stand: still keep out")
	}
}
