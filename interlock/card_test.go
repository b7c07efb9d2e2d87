package interlock

import (
	"testing"
	"time"
)

// What the test card asks, and what stands open in the ledger, keep a guard from
// being ready, take it back from ready, and change nothing while power is on:
// losing a permissive is no trip.
func TestCardAndLedgerArePermissives(t *testing.T) {
	t.Run("card", func(t *testing.T) { isPermissive(t, HostCard, NeedCard) })
	t.Run("ledger", func(t *testing.T) { isPermissive(t, HostLedger, NeedLedger) })
}

func isPermissive(t *testing.T, host Host, need Need) {
	asks := func(e *Engine, on bool) {
		e.Step(e.now, &Input{Kind: HostInput, Host: host, On: on})
		e.Advance(e.now + 1)
	}
	states := map[State]bool{}
	for _, seed := range exploreSeeds(t) {
		e := seed.Clone()
		asks(e, true)
		states[seed.latch.state] = true
		want := seed.latch.state
		if want == Ready || want == Closing {
			want = Blocked
		}
		if e.latch.state != want {
			t.Errorf("in %v, it led to %v, want %v", seed.latch.state, e.latch.state, want)
		}
		named := false
		e.eachUnmet(func(u Unmet) bool { named = named || u.Need == need; return true })
		if e.site.Duty == Guard && !named {
			t.Errorf("in %v it is not named among what is missing", seed.latch.state)
		}
		asks(e, false)
		e.eachUnmet(func(u Unmet) bool {
			if u.Need == need {
				t.Errorf("in %v it still counts as missing", seed.latch.state)
			}
			return true
		})
	}
	for _, s := range []State{Blocked, Ready, Closing, Live, Tripped} {
		if !states[s] {
			t.Errorf("%v was not tried", s)
		}
	}
}

// With a stop time that nobody has measured only a step on the ground may begin, which
// is there to measure it: told of one, the guard is ready in that very instant, and
// told that it is over, it is not.
func TestAStepOnTheGroundNeedsNoProvenStop(t *testing.T) {
	tried := false
	for _, seed := range exploreSeeds(t) {
		if seed.latch.state != Ready {
			continue
		}
		tried = true
		e := seed.Clone()
		tell := func(in Input, want State) {
			t.Helper()
			in.Kind = HostInput
			e.Step(e.now, &in)
			if e.Advance(e.now + 1); e.latch.state != want {
				t.Errorf("told %d, %v: %v, want %v", in.Host, in.On, e.latch.state, want)
			}
		}
		tell(Input{Host: HostStopTime, Seq: 3000}, Blocked)
		tell(Input{Host: HostGround, On: true}, Ready)
		tell(Input{Host: HostGround}, Blocked)
	}
	if !tried {
		t.Error("no guard was ready")
	}
}

// One cause of a built-in interlock is one trip until the latch is reset, however often
// it comes; a guard that only watches has no latch: there each time is another.
func TestABuiltInCauseIsOneTripWhileItIsLatched(t *testing.T) {
	for _, c := range []struct {
		rig  *rig
		want int
	}{{busyRig(t), 1}, {busyRig(t, watchDuty), 3}} {
		if c.rig.e.site.Duty == Guard {
			c.rig.live()
		}
		trips := 0
		c.rig.seen = func(effects []Effect) {
			for _, f := range effects {
				if f.Kind == TripEffect && f.Reason == ReasonClash {
					trips++
				}
			}
		}
		for range 3 {
			c.rig.step(Input{Kind: HostInput, Host: HostClash})
			c.rig.run(time.Second)
		}
		if trips != c.want {
			t.Errorf("duty %v: %d trips of three clashes, want %d", c.rig.e.site.Duty, trips, c.want)
		}
	}
}
