package interlock

import (
	"time"

	"downhaul/rules"
)

// Need is one thing that must hold before a start.
type Need uint8

// The needs. NeedRule, NeedPermissive and NeedChannel come once for each rule,
// row or channel; Index says which.
const (
	NeedGuardDuty Need = iota
	NeedStop           // emergency stop healthy
	NeedGate
	NeedPins     // input lines read in time
	NeedReadback // contactor known open
	NeedRelay    // relay line can be written
	NeedLink
	NeedDisarmed
	NeedDisk
	NeedProof      // proof tests in force
	NeedStopProven // stop proven at the rotors
	NeedCard       // what the test card asks before a start
	NeedKept       // trip records on disk
	NeedRule       // rule Index inside its limit
	NeedPermissive // permissive Index holds
	NeedChannel    // channel Index healthy for long enough
	NeedReset      // reset made
	NeedNotEnded
	NeedHeight // height near zero before a start
	NeedTurn   // a pulse of the anemometer, whose wire nothing else watches
	NeedClash  // no second sender under the craft's identity lately
	NeedLedger // no fault of the chain or defect stands open
)

// Unmet is one need that is not met.
type Unmet struct {
	Need  Need
	Index int // rule, permissive or channel ID
	// Cause is, for NeedChannel and NeedHeight, why its last reading is missing;
	// Value, for NeedHeight, the height in m if it is not.
	Cause rules.Cause
	Value float64
	// Since is, for NeedChannel, the time from which it is healthy, or Never.
	Since time.Duration
}

// eachUnmet calls fn for every need that is not met, reset aside, until fn
// says stop. It is the one list that readiness, status, page and log show.
func (e *Engine) eachUnmet(fn func(Unmet) bool) {
	say := func(bad bool, n Need) bool { return bad && !fn(Unmet{Need: n}) }
	if e.site.Duty == Watch {
		// Nothing is ever started: only what cannot be watched counts.
		if !say(true, NeedGuardDuty) && !say(!e.linkUp, NeedLink) {
			e.eachChannelUnmet(fn)
		}
		return
	}
	power := e.state == Live || e.state == Lowering
	switch {
	case say(e.ended, NeedNotEnded),
		say(!e.stopHealthy(), NeedStop),
		say(!e.onIfFitted(Gate), NeedGate),
		say(!e.pinsKnown, NeedPins),
		say(e.site.Fitted[Readback] && e.state != Closing && !e.closed && (!e.lines[Readback].known || e.lines[Readback].on), NeedReadback),
		say(e.relayBad, NeedRelay),
		say(!e.linkUp, NeedLink),
		say(e.timers[timerClash] != rules.Never && !power, NeedClash),
		say(e.armed && !power, NeedDisarmed),
		e.heightOff && !power && !fn(Unmet{Need: NeedHeight, Value: e.limits.Reading(rules.Height).Value, Cause: e.limits.Reading(rules.Height).Cause}),
		say(e.asksTurn && !e.closed && (e.windDoubt || e.timers[timerTurned] == rules.Never), NeedTurn),
		say(e.diskLow, NeedDisk),
		say(e.overdue != 0, NeedProof),
		say(!e.rotors.Measured && !e.ground.on, NeedStopProven),
		say(e.cardAsks, NeedCard),
		say(e.ledgerHolds, NeedLedger),
		say(e.kept < e.trips, NeedKept):
		return
	}
	if !e.eachChannelUnmet(fn) {
		return
	}
	for i := range e.demands {
		if e.demands[i].counts() && !fn(Unmet{Need: NeedRule, Index: i}) {
			return
		}
	}
	for i, holds := range e.limits.Holds() {
		if !holds && !fn(Unmet{Need: NeedPermissive, Index: i}) {
			return
		}
	}
}

// eachChannelUnmet is eachUnmet for the channels that rules need; false when fn
// said stop.
func (e *Engine) eachChannelUnmet(fn func(Unmet) bool) bool {
	for _, id := range e.limits.Needed() {
		h := e.limits.Health(id)
		if !h.Healthy && !fn(Unmet{Need: NeedChannel, Index: int(id), Since: h.Since, Cause: e.limits.Reading(id).Cause}) {
			return false
		}
	}
	return true
}

func (e *Engine) allMet() bool {
	met := true
	e.eachUnmet(func(Unmet) bool { met = false; return false })
	return met
}

// liveOn logs a permissive that is lost while live; it is no trip.
func (e *Engine) liveOn(at time.Duration) {
	for i, holds := range e.limits.Holds() {
		if e.permTold[i] != holds {
			e.permTold[i] = holds
			p := &e.env.Permissives[i]
			now := e.limits.Reading(p.Watch)
			e.emit(Effect{Kind: NoteEffect, At: at, Reason: ReasonPermissiveLost, Rule: -1, Permissive: i,
				Channel: p.Watch, On: !holds, Limit: p.Limit, HasValue: now.Quality != rules.Missing, Value: now.Value})
		}
	}
}
