package interlock

import (
	"testing"
	"time"

	"downhaul/rules"
)

// A part that panicked is a fault in the very call, from every state, once, by its own
// reason; power that was not removed is told on top of it; no reset is taken.
func TestPromise01_APanicIsAFaultFromEveryState(t *testing.T) {
	for _, seed := range exploreSeeds(t) {
		for _, inside := range []bool{false, true} {
			e := seed.Clone()
			var told any
			e.WhenBroken(func(p any) { told = p })
			at := e.now + time.Millisecond
			e.Advance(at)
			from := e.latch.state
			var effects []Effect
			if inside { // as the limits tell it
				e.latch.clear()
				e.limits.Break()
				(*fromLimits)(e).Broke(at, "seeded")
				effects = e.latch.answer()
				if told != "seeded" {
					t.Errorf("from %v: told %v", from, told)
				}
			} else {
				effects = e.Step(at, &Input{Kind: HostInput, Host: HostBroken, On: true})
			}
			trips := 0
			for _, f := range effects {
				if f.Kind == TripEffect && f.Reason == ReasonBroken && f.Stop == rules.Immediate && f.At == at {
					trips++
				}
			}
			if from != Fault && trips != 1 || e.latch.state != Fault || e.latch.relayOn || e.latch.beatOn || e.latch.resetBar(at) == NoReason {
				t.Errorf("from %v: %v, %d trips, a reset: %v", from, e.latch.state, trips, e.latch.resetBar(at))
			}
			for _, f := range e.Step(at, &Input{Kind: HostInput, Host: HostBroken, On: true}) {
				if f.Kind == TripEffect {
					t.Errorf("from %v: told twice", from)
				}
			}
		}
	}
}

// A guard that only watches has no fault to enter: there it is on record.
func TestWatchTellsOfAPanic(t *testing.T) {
	e := streamEngine(t, Watch)
	e.Advance(time.Second)
	trips := 0
	for range 2 {
		for _, f := range e.Step(2*time.Second, &Input{Kind: HostInput, Host: HostBroken, On: true}) {
			if f.Kind == TripEffect && f.Reason == ReasonBroken {
				trips++
			}
		}
	}
	if trips != 1 || e.latch.state != Blocked {
		t.Errorf("%d trips, %v", trips, e.latch.state)
	}
}
