package virtual

import (
	"strings"
	"testing"
	"time"
)

const ms = time.Millisecond

func newChain(t interface {
	Helper()
	Fatal(...any)
}, cfg ChainConfig) *Chain {
	t.Helper()
	c, err := NewChain(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// beat gives n edges, the first at from, and returns the time of the last.
func beat(c *Chain, from, gap time.Duration, n int) time.Duration {
	for i := range n {
		c.Beat(from + time.Duration(i)*gap)
	}
	return from + time.Duration(n-1)*gap
}

// live is a chain with power at the rotors, and the time of the last edge.
func live(t testing.TB, cfg ChainConfig) (*Chain, time.Duration) {
	t.Helper()
	c := newChain(t, cfg)
	c.SetRelay(0, true)
	last := beat(c, 0, 25*ms, 10)
	c.Advance(last)
	if !c.PowerOn() || !c.Holding() || !c.Coil() || c.Mirror() {
		t.Fatalf("not live: power %v, watchdog %v, coil %v, mirror %v", c.PowerOn(), c.Holding(), c.Coil(), c.Mirror())
	}
	return c, last
}

func TestPromise01_EachContactAloneOpensTheChain(t *testing.T) {
	for _, row := range []struct {
		name string
		open func(c *Chain, now time.Duration)
	}{
		{"relay off", func(c *Chain, now time.Duration) { c.SetRelay(now, false) }},
		{"stop contact A", func(c *Chain, now time.Duration) { c.SetStop(now, false, true) }},
		{"stop contact B", func(c *Chain, now time.Duration) { c.SetStop(now, true, false) }},
		{"relay wire cut", func(c *Chain, now time.Duration) { c.SetFault(now, RelayWire, true) }},
		{"coil burnt out", func(c *Chain, now time.Duration) { c.SetFault(now, Dead, true) }},
	} {
		t.Run(row.name, func(t *testing.T) {
			c, now := live(t, ChainConfig{})
			now += 7 * ms
			row.open(c, now)
			c.Advance(now + DefaultDropOut - 1)
			if !c.PowerOn() {
				t.Errorf("power gone before the drop-out time")
			}
			c.Advance(now + DefaultDropOut)
			if c.PowerOn() || !c.Mirror() {
				t.Errorf("power %v, mirror %v at the drop-out time; want false, true", c.PowerOn(), c.Mirror())
			}
		})
	}
}

// The heartbeat ends at any phase, by silence, by a cut wire or by a level
// that is stuck: no power 100 ms after its last good edge.
func TestPromise01_HeartbeatStopOpensTheChain(t *testing.T) {
	for gap := LeastGap; gap <= MostGap; gap += ms {
		c := newChain(t, ChainConfig{})
		c.SetRelay(0, true)
		last := beat(c, 0, gap, 20)
		c.Advance(last + 100*ms - 1)
		if !c.PowerOn() {
			t.Fatalf("edges every %v: power gone before 100 ms", gap)
		}
		c.Advance(last + 100*ms)
		if c.PowerOn() {
			t.Errorf("edges every %v: power 100 ms after the last edge", gap)
		}
	}
	c, last := live(t, ChainConfig{})
	c.SetFault(last, HeartbeatWire, true)
	for i := 1; i <= 4; i++ {
		c.Beat(last + time.Duration(i)*25*ms)
	}
	if c.PowerOn() {
		t.Error("power 100 ms after the heartbeat's wire was cut")
	}
}

func TestPromise01_StopContactsBeatAStuckRelay(t *testing.T) {
	c, now := live(t, ChainConfig{})
	c.SetFault(now, RelayStuck, true)
	c.SetFault(now, WatchdogBridged, true)
	c.SetRelay(now, false)
	c.Advance(now + 10*time.Second)
	if !c.PowerOn() {
		t.Fatal("a stuck relay and a bridged watchdog together ought to keep the power on")
	}
	now += 10 * time.Second
	c.SetStop(now, false, false)
	c.Advance(now + DefaultDropOut)
	if c.PowerOn() {
		t.Error("the hard-wired stop did not open a chain whose relay is stuck")
	}
}

func TestPromise01_TruthTable(t *testing.T) {
	for bits := range 16 {
		relay, beats, a, b := bits&1 != 0, bits&2 != 0, bits&4 != 0, bits&8 != 0
		c := newChain(t, ChainConfig{})
		c.SetRelay(0, relay)
		c.SetStop(0, a, b)
		now := 500 * ms
		if beats {
			now = beat(c, 0, 25*ms, 20)
		}
		c.Advance(now)
		if want := bits == 15; c.PowerOn() != want || c.Mirror() == want {
			t.Errorf("relay %v, pulses %v, stop contacts %v %v: power %v, mirror %v; want power %v", relay, beats, a, b, c.PowerOn(), c.Mirror(), want)
		}
	}
}

func TestWatchdogWindow(t *testing.T) {
	const us = time.Microsecond
	for _, row := range []struct {
		name  string
		gap   time.Duration
		holds bool
	}{
		{"nominal", 25 * ms, true},
		{"too near by 1 ms", 14 * ms, false},
		{"too near by 1 ns", 15*ms - 1, false},
		{"least", 15 * ms, true},
		{"most", 50 * ms, true},
		{"too far by 1 ns", 50*ms + 1, false},
		{"too far by 1 ms", 51 * ms, false},
		{"runaway", 5 * ms, false},
		// Each period of the mains has two changes of level.
		{"mains hum of 50 Hz", time.Second / 100, false},
		{"mains hum of 60 Hz", time.Second / 120, false},
		{"mains hum of 16.7 Hz, railways", time.Second * 3 / 100, true}, // not kept out: it looks like a heartbeat
		{"noise", 50 * us, false},
	} {
		c := newChain(t, ChainConfig{})
		c.SetRelay(0, true)
		last := beat(c, 0, row.gap, 40)
		if c.Holding() != row.holds {
			t.Errorf("%s, an edge every %v: holds %v, want %v", row.name, row.gap, c.Holding(), row.holds)
		}
		c.Advance(last + WatchdogDrop)
		if c.Holding() {
			t.Errorf("%s: a level that is stuck holds", row.name)
		}
	}
}

func TestWatchdogNeedsThreeGoodGapsInARow(t *testing.T) {
	c := newChain(t, ChainConfig{})
	at := beat(c, 0, 25*ms, 3)
	c.Beat(at + 51*ms) // two good, one bad
	at += 51 * ms
	for n := 1; n <= 3; n++ {
		if c.Holding() {
			t.Fatalf("holds after %d good gaps in a row", n-1)
		}
		at += 25 * ms
		c.Beat(at)
	}
	if !c.Holding() {
		t.Error("does not hold after three good gaps in a row")
	}
}

// Patterns whose mean is good but which no running guard makes.
func TestWatchdogRefusesMixedPatterns(t *testing.T) {
	for _, gaps := range [][]time.Duration{{5 * ms, 20 * ms}, {20 * ms, 20 * ms, 10 * ms}, {60 * ms, 25 * ms}, {25 * ms, 25 * ms, 0}} {
		c := newChain(t, ChainConfig{})
		var at time.Duration
		for i := range 200 {
			c.Beat(at)
			if c.Holding() {
				t.Fatalf("gaps %v: holds at edge %d", gaps, i)
			}
			at += gaps[i%len(gaps)]
		}
	}
}

func TestWatchdogDropsWhenHeartbeatRunsAway(t *testing.T) {
	for _, gap := range []time.Duration{5 * ms, 10 * ms, 8333333, 0} {
		c, last := live(t, ChainConfig{})
		for at := last + gap; at < last+100*ms; at += max(gap, ms) {
			c.Beat(at)
		}
		c.Advance(last + 100*ms)
		if c.PowerOn() {
			t.Errorf("edges every %v: power 100 ms after the last good edge", gap)
		}
	}
}

func TestPromise06_WeldKeepsPowerAndMirrorShowsIt(t *testing.T) {
	c, now := live(t, ChainConfig{})
	c.SetFault(now, Weld, true)
	c.SetRelay(now, false)
	c.SetStop(now, false, false)
	c.Advance(now + time.Minute)
	if !c.PowerOn() || c.Mirror() {
		t.Errorf("welded: power %v, mirror %v; want true, false", c.PowerOn(), c.Mirror())
	}
	c.SetFault(now+time.Minute, Weld, false)
	if c.PowerOn() || !c.Mirror() {
		t.Errorf("mended: power %v, mirror %v; want false, true", c.PowerOn(), c.Mirror())
	}
}

func TestPromise06_DeadCoilNeverPicksUp(t *testing.T) {
	c := newChain(t, ChainConfig{})
	c.SetFault(0, Dead, true)
	c.SetRelay(0, true)
	c.Advance(beat(c, 0, 25*ms, 100))
	if c.PowerOn() || !c.Mirror() {
		t.Errorf("dead: power %v, mirror %v; want false, true", c.PowerOn(), c.Mirror())
	}
}

func TestPromise06_CutMirrorWireReadsClosedContactor(t *testing.T) {
	c := newChain(t, ChainConfig{})
	if !c.Mirror() {
		t.Fatal("at rest the mirror contact must be closed")
	}
	c.SetFault(0, MirrorWire, true)
	if c.Mirror() || c.PowerOn() {
		t.Errorf("cut wire: mirror %v, power %v; want false, false", c.Mirror(), c.PowerOn())
	}
}

// The start test of the guard: relay without pulses and pulses without relay
// leave a sound chain open and find a bridged watchdog and a stuck relay.
func TestPromise06_HalfTestsFindBridges(t *testing.T) {
	for _, row := range []struct {
		name         string
		fault        ChainFault
		relay, beats bool
		power        bool
	}{
		{"relay alone, sound", chainFaults, true, false, false},
		{"pulses alone, sound", chainFaults, false, true, false},
		{"relay alone, watchdog bridged", WatchdogBridged, true, false, true},
		{"pulses alone, relay stuck", RelayStuck, false, true, true},
		{"pulses alone, watchdog bridged", WatchdogBridged, false, true, false},
		{"relay alone, relay stuck", RelayStuck, true, false, false},
	} {
		c := newChain(t, ChainConfig{})
		c.SetFault(0, row.fault, true)
		c.SetRelay(0, row.relay)
		if row.beats {
			beat(c, 0, 25*ms, 20)
		}
		c.Advance(475 * ms)
		if c.PowerOn() != row.power {
			t.Errorf("%s: power %v, want %v", row.name, c.PowerOn(), row.power)
		}
	}
}

func TestContactorTimes(t *testing.T) {
	c := newChain(t, ChainConfig{PickUp: 30 * ms, DropOut: 40 * ms})
	c.SetFault(0, WatchdogBridged, true)
	c.SetRelay(10*ms, true)
	if got := c.Next(); got != 40*ms {
		t.Fatalf("next %v, want 40 ms", got)
	}
	c.SetRelay(39*ms, false) // let go before it moved
	c.SetRelay(41*ms, true)
	c.Advance(71*ms - 1)
	if c.PowerOn() {
		t.Error("picked up although the coil was off in between")
	}
	c.Advance(71 * ms)
	if !c.PowerOn() {
		t.Error("did not pick up 30 ms after the coil")
	}
	c.SetRelay(100*ms, false)
	c.SetRelay(139*ms, true) // back before it dropped
	c.Advance(time.Second)
	if !c.PowerOn() || c.Next() != Never {
		t.Errorf("power %v, next %v; want true and never", c.PowerOn(), c.Next())
	}
	// A rehearsal must not show power leaving sooner than a published relay may
	// take: the data sheet of one such relay, release 20 ms at most.
	if DefaultDropOut < GuidedRelease {
		t.Errorf("default drop-out %v is under the published %v", DefaultDropOut, GuidedRelease)
	}
}

func TestBounce(t *testing.T) {
	c := newChain(t, ChainConfig{Bounce: SignalBounce})
	c.SetFault(0, WatchdogBridged, true)
	c.SetRelay(0, true)
	for _, row := range []struct {
		at    time.Duration
		power bool
	}{{15*ms - 1, false}, {15 * ms, true}, {17500*time.Microsecond - 1, true}, {17500 * time.Microsecond, false}, {20*ms - 1, false}, {20 * ms, true}, {time.Second, true}} {
		c.Advance(row.at)
		if c.PowerOn() != row.power || c.Mirror() == row.power {
			t.Errorf("at %v: power %v, mirror %v; want power %v", row.at, c.PowerOn(), c.Mirror(), row.power)
		}
	}
}

func TestNewChainRefusesImpossibleTimes(t *testing.T) {
	for _, row := range []struct {
		cfg  ChainConfig
		want string
	}{
		{ChainConfig{PickUp: -1}, "pick-up time"},
		{ChainConfig{DropOut: 3 * time.Second}, "drop-out time"},
		{ChainConfig{Bounce: -1}, "bounce time"},
		{ChainConfig{LongestGap: 3 * time.Second}, "longest gap"},
		{ChainConfig{Bounce: 20 * ms}, "shorter than the drop-out"},
	} {
		if _, err := NewChain(row.cfg); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%+v: error %v, want one about %q", row.cfg, err, row.want)
		}
	}
}

func TestTimeThatRunsBackChangesNothing(t *testing.T) {
	c, now := live(t, ChainConfig{})
	c.Advance(now - time.Second)
	c.SetRelay(now-time.Second, false)
	c.Advance(now + DefaultDropOut - 1)
	if !c.PowerOn() {
		t.Error("an earlier time counted as earlier than the latest seen")
	}
}

// A contactor whose coil is back before it dropped never moved: no new bounce.
func TestNoBounceWithoutAMove(t *testing.T) {
	c := newChain(t, ChainConfig{Bounce: SignalBounce})
	c.SetFault(0, WatchdogBridged, true)
	c.SetRelay(0, true)
	c.SetRelay(time.Second, false)
	c.SetRelay(time.Second+19*ms, true)
	if next := c.Next(); next != Never {
		t.Errorf("something happens at %v, want never", next)
	}
}

// A rehearsal on a busy computer may allow longer gaps. Only the far side of
// the window moves, and the time to let go with it.
func TestLongestGapMovesTheFarSideOnly(t *testing.T) {
	cfg := ChainConfig{LongestGap: 300 * ms}
	for _, row := range []struct {
		gap   time.Duration
		holds bool
	}{{15*ms - 1, false}, {15 * ms, true}, {300 * ms, true}, {300*ms + 1, false}} {
		c := newChain(t, cfg)
		c.SetRelay(0, true)
		last := beat(c, 0, row.gap, 10)
		if c.Holding() != row.holds {
			t.Errorf("an edge every %v: holds %v, want %v", row.gap, c.Holding(), row.holds)
		}
		c.Advance(last + 350*ms - 1)
		if c.PowerOn() != row.holds {
			t.Errorf("an edge every %v: power %v just before it must be off", row.gap, c.PowerOn())
		}
		c.Advance(last + 350*ms)
		if c.PowerOn() {
			t.Errorf("an edge every %v: power 350 ms after the last edge", row.gap)
		}
	}
}

// A board that closes with its relay stuck waits for its own watchdog, too.
func TestCloseWaitsForTheLongerWatchdog(t *testing.T) {
	v, clock := open(t, Config{Chain: ChainConfig{LongestGap: 300 * ms}})
	must(t, v.Break("relay_stuck"))
	run(t, v, clock, time.Second)
	if !v.PowerOn() {
		t.Fatal("a stuck relay and pulses ought to bring power")
	}
	must(t, v.Close())
	if v.PowerOn() {
		t.Error("power after Close")
	}
}

// A slow contactor opens late, and shows it by its mirror; it closes as ever.
func TestSlowContactorOpensLate(t *testing.T) {
	c := newChain(t, ChainConfig{})
	c.SetFault(0, WatchdogBridged, true)
	c.SetFault(0, Slow, true)
	c.SetRelay(0, true)
	c.Advance(DefaultPickUp)
	if !c.PowerOn() {
		t.Fatal("it does not close in its time")
	}
	const off = 100 * ms
	c.SetRelay(off, false)
	c.Advance(off + DefaultDropOut + SlowBy - ms)
	if !c.PowerOn() || c.Mirror() {
		t.Error("it opens in its usual time")
	}
	c.Advance(off + DefaultDropOut + SlowBy)
	if c.PowerOn() || !c.Mirror() {
		t.Error("it does not open at last")
	}
}
