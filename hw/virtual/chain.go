package virtual

import (
	"fmt"
	"time"
)

// Published times of relays, for choosing and judging the times of a chain.
// Both sheets were read as copies on the pages of dealers.
const (
	// GuidedRelease is the longest release time of a relay with forcibly guided
	// contacts (EN 50205 class A), by the data sheet of one such relay; it takes as long to operate.
	GuidedRelease = 20 * time.Millisecond
	// SignalBounce is the longest bounce of a small signal relay, by its
	// product specification.
	SignalBounce = 5 * time.Millisecond
)

// Defaults of the modelled chain, guard relay and contactor together. Ours:
// drop-out is the published longest release, so that a rehearsal never shows
// power leaving sooner than such a relay may take; pick-up is inside the
// published longest.
const (
	DefaultPickUp  = 15 * time.Millisecond
	DefaultDropOut = GuidedRelease
	mostChainTime  = 2 * time.Second
	// SlowBy is how late a slow contactor opens: ours, long past what any guard waits for.
	SlowBy = time.Second
)

// ChainConfig sets the times of a Chain.
type ChainConfig struct {
	// PickUp and DropOut are the times from a change of the coil to the move
	// of the main contact; 0 takes the default (no real contactor has 0).
	PickUp, DropOut time.Duration
	// Bounce is how long the main contact bounces after closing, with one gap
	// in the second half of it; 0 is no bounce. Shorter than DropOut.
	Bounce time.Duration
	// LongestGap is the longest good spacing of heartbeat edges; 0 takes
	// MostGap. A longer one makes the watchdog let go later by as much. It is
	// for rehearsals on a busy computer, not for a real watchdog.
	LongestGap time.Duration
}

// ChainFault is one thing that can be wrong in a Chain.
type ChainFault uint8

// The faults.
const (
	// Weld: the main contact is closed and stays so, as after a weld.
	Weld ChainFault = iota
	// Dead: the coil is burnt out; the contactor never picks up.
	Dead
	// MirrorWire: the wire of the mirror contact is broken.
	MirrorWire
	// RelayWire: the relay output does not reach the guard relay.
	RelayWire
	// HeartbeatWire: the heartbeat's edges do not reach the watchdog.
	HeartbeatWire
	// WatchdogBridged: the watchdog's contact is bridged; it holds without
	// edges.
	WatchdogBridged
	// RelayStuck: the guard relay's contact is stuck closed.
	RelayStuck
	// Slow: the main contact opens SlowBy late, as one that sticks.
	Slow
	chainFaults
)

// Chain models the kill chain from the relay pin to the rotors, with time as
// an argument. In series in the supply of the contactor's coil stand the guard
// relay's contact, the window watchdog's contact and both contacts of the
// hard-wired emergency stop; the contactor's main contact feeds the rotors and
// its mirror contact, mechanically the opposite, is the readback.
//
// It promises that opening any one of the four takes the power off the rotors
// after DropOut unless the main contact is welded; nothing in the coil's supply
// helps against a weld. It has no clock, no goroutine and no I/O. Times must
// not run back; an earlier one counts as the latest seen. Not safe for use by
// several goroutines at once.
type Chain struct {
	cfg          ChainConfig
	now          time.Duration
	relay        bool
	stopA, stopB bool // contact closed, that is: not pressed
	watchdog     window
	fault        [chainFaults]bool

	coil    bool          // current flows through the coil
	picked  bool          // the armature is pulled in
	moveAt  time.Duration // when the armature follows the coil, or Never
	gap     bool          // the bouncing main contact is open just now
	gapAt   time.Duration // when gap changes next, or Never
	bounced time.Duration // when the bounce is over
}

// NewChain is a chain at rest: relay off, no edge yet, emergency stop not
// pressed, contactor open. It refuses times that no chain can have.
func NewChain(cfg ChainConfig) (*Chain, error) {
	if cfg.PickUp == 0 {
		cfg.PickUp = DefaultPickUp
	}
	if cfg.DropOut == 0 {
		cfg.DropOut = DefaultDropOut
	}
	for _, t := range []struct {
		name string
		d    time.Duration
	}{{"pick-up time", cfg.PickUp}, {"drop-out time", cfg.DropOut}, {"bounce time", cfg.Bounce}, {"longest gap of the heartbeat", cfg.LongestGap}} {
		if t.d < 0 || t.d > mostChainTime {
			return nil, fmt.Errorf("chain: %s must be from 0 to %v (got %v); give the time measured or published for the contactor", t.name, mostChainTime, t.d)
		}
	}
	if cfg.Bounce >= cfg.DropOut {
		return nil, fmt.Errorf("chain: bounce time must be shorter than the drop-out time %v (got %v); a contact that bounces longer is worn out", cfg.DropOut, cfg.Bounce)
	}
	if cfg.LongestGap == 0 {
		cfg.LongestGap = MostGap
	}
	c := &Chain{cfg: cfg, stopA: true, stopB: true, moveAt: Never, gapAt: Never}
	c.watchdog.most, c.watchdog.drop = cfg.LongestGap, cfg.LongestGap+WatchdogDrop-MostGap
	return c, nil
}

// Advance lets everything happen that is due up to and including now.
func (c *Chain) Advance(now time.Duration) {
	for t := c.Next(); t <= now; t = c.Next() {
		c.now = max(c.now, t)
		c.fire(c.now)
	}
	c.now = max(c.now, now)
}

// Next is the next instant at which something changes by itself, or Never.
func (c *Chain) Next() time.Duration {
	return min(c.watchdog.next(), c.moveAt, c.gapAt)
}

// fire does what is due at t. The watchdog comes first: at a tie the side that
// takes power off wins.
func (c *Chain) fire(t time.Duration) {
	c.watchdog.advance(t)
	c.settle(t)
	if c.moveAt <= t {
		c.moveAt = Never
		c.picked = c.coil
		c.gap, c.gapAt = false, Never
		if c.picked && c.cfg.Bounce > 0 {
			c.bounced = t + c.cfg.Bounce
			c.gapAt = t + c.cfg.Bounce/2
		}
	}
	if c.gapAt <= t {
		c.gap = !c.gap
		c.gapAt = Never
		if c.gap {
			c.gapAt = c.bounced
		}
	}
}

// settle works out whether current flows through the coil and, where that
// changed, when the armature will follow.
func (c *Chain) settle(t time.Duration) {
	contact := c.relay && !c.fault[RelayWire] || c.fault[RelayStuck]
	held := c.watchdog.holding || c.fault[WatchdogBridged]
	coil := contact && held && c.stopA && c.stopB && !c.fault[Dead]
	if coil == c.coil {
		return
	}
	c.coil = coil
	switch {
	case coil == c.picked: // back before the armature moved
		c.moveAt = Never
	case coil:
		c.moveAt = t + c.cfg.PickUp
	default:
		c.moveAt = t + c.cfg.DropOut
		if c.fault[Slow] {
			c.moveAt += SlowBy
		}
	}
}

// SetRelay drives the relay output.
func (c *Chain) SetRelay(now time.Duration, on bool) {
	c.Advance(now)
	c.relay = on
	c.settle(c.now)
}

// Beat is one edge, rise or fall, of the heartbeat output.
func (c *Chain) Beat(now time.Duration) {
	c.Advance(now)
	if !c.fault[HeartbeatWire] {
		c.watchdog.edge(c.now)
		c.settle(c.now)
	}
}

// SetStop sets the emergency stop's contacts in the coil's supply; closed is
// not pressed.
func (c *Chain) SetStop(now time.Duration, closedA, closedB bool) {
	c.Advance(now)
	c.stopA, c.stopB = closedA, closedB
	c.settle(c.now)
}

// SetFault brings a fault in or mends it. A fault that does not exist is
// ignored.
func (c *Chain) SetFault(now time.Duration, f ChainFault, on bool) {
	c.Advance(now)
	if f < chainFaults {
		c.fault[f] = on
		c.settle(c.now)
	}
}

// Faulty reports whether f is in.
func (c *Chain) Faulty(f ChainFault) bool { return f < chainFaults && c.fault[f] }

// PowerOn reports whether power reaches the rotors: the main contact is closed.
func (c *Chain) PowerOn() bool { return c.fault[Weld] || c.picked && !c.gap }

// Mirror reports whether the circuit through the mirror contact is closed: true
// is main contact OPEN and wire whole. A broken wire reads like a closed
// contactor, so that it is found when the contactor ought to be open.
func (c *Chain) Mirror() bool { return !c.PowerOn() && !c.fault[MirrorWire] }

// Holding reports whether the watchdog sees a good heartbeat. A bridged watchdog
// passes current without that.
func (c *Chain) Holding() bool { return c.watchdog.holding }

// Coil reports whether current flows through the contactor's coil.
func (c *Chain) Coil() bool { return c.coil }
