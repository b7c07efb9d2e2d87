package interlock

import (
	"math"
	"slices"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// currents are the currents that can tell that no power flows. The first of them,
// powerCurrents, can also tell that power was not removed: another pack may feed
// what stays on.
var currents = [...]rules.ChannelID{rules.SupplyCurrent, rules.Pack1Current, rules.Pack2Current, rules.Pack3Current, rules.Pack4Current}

var powerCurrents = currents[:2]

// How rotors that the wind turns are told from rotors under power; ours. What
// cannot be told counts as power.
const (
	// noFlow is by how much a current may be above what it was while the rotors
	// stood behind the open chain: a rotor that idles under power takes more, and a
	// sensor is no more exact.
	noFlow = 0.5
	// windSpin is the fastest that wind turns a rotor, Hz: 5 m/s through a rotor of
	// 0.25 m pitch.
	windSpin = 20
)

// rotorTurns reports whether a rotor is known to turn, in either direction, faster
// than that: one that is heard is enough, whatever is known of the others.
func (e *Engine) rotorTurns(at time.Duration, speed float64) bool {
	for _, id := range e.speeds {
		r := e.limits.Fresh(id, at)
		if r.Quality == rules.Good && math.Abs(r.Value) > speed {
			return true
		}
	}
	return false
}

// windTurns reports whether rotors that turn behind the open chain are turned by the
// wind: the mirror contact reads open, no rotor is faster than wind turns it, and
// every current is known and as it was while the rotors stood (many a craft never
// tells the supply's: then the packs' count). A dead sensor tells of no current
// either, so one must have told of some in the last run, or the craft be disarmed,
// which drives no rotor.
func (e *Engine) windTurns(at time.Duration) bool {
	known := false
	if e.latch.closed || e.site.IdleCurrent <= 0 || !e.latch.mirrorOpen() ||
		!e.flowSeen && e.flag(rules.CraftArmed, at) != 0 || e.rotorTurns(at, windSpin) {
		return false
	}
	for i, id := range currents {
		if e.limits.Health(id).Heard || e.limits.Feeds(id) && id != rules.SupplyCurrent {
			r := e.limits.Fresh(id, at)
			if r.Quality != rules.Good || r.Value > e.atRest[i]+noFlow {
				return false
			}
			known = true
		}
	}
	return known
}

// currentSeen keeps what windTurns compares with.
func (e *Engine) currentSeen(at time.Duration, id rules.ChannelID, r limits.Result) {
	i := slices.Index(currents[:], id)
	switch rotors := e.limits.Fresh(rules.RotorSpeed, at); {
	case i < 0 || r.Quality != rules.Good:
	case r.Value > e.site.IdleCurrent:
		e.flowSeen = e.flowSeen || e.latch.closed
	case !e.latch.closed && rotors.Quality == rules.Good && rotors.Value <= e.site.StillRotor:
		e.atRest[i] = r.Value
	}
}

// powerRemains reports whether a rotor is known to turn that the wind does not turn,
// or a current to flow. What is not told cannot be seen: it does not count. A
// doubtful current counts as it does against a limit, and one past the range of its
// field flows, however much it is.
func (e *Engine) powerRemains(at time.Duration) bool {
	if e.rotorTurns(at, e.site.StillRotor) && !e.windTurns(at) {
		return true
	}
	if e.site.IdleCurrent <= 0 {
		return false
	}
	for _, id := range powerCurrents {
		r := e.limits.Fresh(id, at)
		if r.Quality != rules.Missing && r.Value > e.site.IdleCurrent || r.Cause == rules.OutOfRange && r.Quality == rules.Missing && at-r.At <= id.Stale() {
			return true
		}
	}
	return false
}

// still goes by the rotors' speed or, where none is told, by twice the proven stop time (waited).
func (e *Engine) still(at time.Duration, waited bool) bool {
	if e.rotorTurns(at, e.site.StillRotor) {
		return false // whatever is known of the others
	}
	r := e.limits.Fresh(rules.RotorSpeed, at)
	if r.Quality == rules.Good {
		return r.Value <= e.site.StillRotor
	}
	return waited
}

// powerSeen takes a reading of a rotor's speed or of a pack's current. Once the
// window after an opening is over nothing may turn or flow until the chain
// closes again, however late it comes back, and however long the telemetry was
// silent at the end of that window.
func (e *Engine) powerSeen(at time.Duration, id rules.ChannelID, r limits.Result) {
	e.currentSeen(at, id, r)
	if !e.latch.mustBeOff() || r.Quality == rules.Missing && r.Cause != rules.OutOfRange {
		return
	}
	switch {
	case e.powerRemains(at):
		e.latch.powerBack(at)
	case r.Quality == rules.Good:
		// The current goes at once, the rotors after it.
		e.latch.powerOff(slices.Contains(e.speeds, id) || !e.limits.Feeds(rules.RotorSpeed))
	}
}

// mayClose returns what stands against closing the chain now.
func (e *Engine) mayClose(at time.Duration) (bar Reason) {
	// Slow as they may be told, they are told anew since start was pressed.
	anew := func(id rules.ChannelID) bool { return !e.limits.Feeds(id) || at-e.limits.Reading(id).At <= e.site.Horn }
	if !e.outputsBelow(at, e.site.IdleOutput) || e.agreement > phaseAgreement && !(anew(rules.MotorHighest) && anew(rules.CraftArmed)) {
		return ReasonNotIdle
	}
	if bar = e.groundBegins(at); bar == NoReason {
		e.flowSeen = false
	}
	return bar
}
