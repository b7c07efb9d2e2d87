package virtual

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// oracle works out the same as Chain from the whole history, one millisecond at a
// time: a watchdog holds while an edge younger than 80 ms has three good gaps
// before it; an armature moves after its coil kept one state long enough.
type oracle struct {
	edges        []time.Duration
	relay, a, b  bool
	fault        [chainFaults]bool
	coil, picked bool
	since        time.Duration
}

func (o *oracle) holds(now time.Duration) bool {
	for i := goodGaps; i < len(o.edges); i++ {
		good := now-o.edges[i] < WatchdogDrop
		for j := i - goodGaps; j < i; j++ {
			gap := o.edges[j+1] - o.edges[j]
			good = good && gap >= LeastGap && gap <= MostGap
		}
		if good {
			return true
		}
	}
	return false
}

func (o *oracle) look(now time.Duration) {
	coil := o.a && o.b && !o.fault[Dead] &&
		(o.fault[RelayStuck] || o.relay && !o.fault[RelayWire]) &&
		(o.fault[WatchdogBridged] || o.holds(now))
	if coil != o.coil {
		o.coil, o.since = coil, now
	}
	if o.coil && now-o.since >= DefaultPickUp || !o.coil && now-o.since >= DefaultDropOut {
		o.picked = o.coil
	}
}

func TestChainAgreesWithItsHistory(t *testing.T) {
	var on, off int
	rapid.Check(t, func(t *rapid.T) {
		c := newChain(t, ChainConfig{})
		twin := newChain(t, ChainConfig{}) // advanced as seldom as can be
		o := &oracle{a: true, b: true}
		gap := time.Duration(rapid.IntRange(13, 52).Draw(t, "heartbeat, ms")) * ms
		next := time.Duration(0)
		for now := time.Duration(0); now < 700*ms; now += ms {
			c.Advance(now)
			o.look(now)
			do := func(f func(c *Chain)) {
				f(c)
				f(twin)
				o.look(now)
			}
			if now >= next {
				if !o.fault[HeartbeatWire] {
					o.edges = append(o.edges, now)
				}
				do(func(c *Chain) { c.Beat(now) })
				next = now + gap
				if rapid.IntRange(0, 15).Draw(t, "stray") == 0 {
					next = now + time.Duration(rapid.IntRange(1, 90).Draw(t, "stray gap, ms"))*ms
				}
			}
			if now%(8*ms) == 0 {
				switch rapid.IntRange(0, 30).Draw(t, "act") {
				case 0, 1, 2, 3, 4:
					o.relay = rapid.IntRange(0, 3).Draw(t, "relay") > 0
					do(func(c *Chain) { c.SetRelay(now, o.relay) })
				case 5:
					o.a, o.b = rapid.IntRange(0, 3).Draw(t, "a") > 0, rapid.IntRange(0, 3).Draw(t, "b") > 0
					do(func(c *Chain) { c.SetStop(now, o.a, o.b) })
				case 6:
					f := ChainFault(rapid.IntRange(0, int(Slow)-1).Draw(t, "fault")) // Slow has a test of its own
					o.fault[f] = !o.fault[f]
					do(func(c *Chain) { c.SetFault(now, f, o.fault[f]) })
				}
			}
			power := o.picked || o.fault[Weld]
			if c.Holding() != o.holds(now) || c.Coil() != o.coil || c.PowerOn() != power || c.Mirror() != (!power && !o.fault[MirrorWire]) {
				t.Fatalf("at %v: chain has watchdog %v, coil %v, power %v, mirror %v; history says %v, %v, %v, cut %v",
					now, c.Holding(), c.Coil(), c.PowerOn(), c.Mirror(), o.holds(now), o.coil, power, o.fault[MirrorWire])
			}
			if power {
				on++
			} else {
				off++
			}
		}
		c.Advance(700 * ms)
		twin.Advance(700 * ms)
		if *c != *twin {
			t.Fatalf("extra Advances changed the chain:\n%+v\n%+v", *c, *twin)
		}
	})
	if on == 0 || off == 0 {
		t.Errorf("the histories never had both power and none: %d ms on, %d ms off", on, off)
	}
}
