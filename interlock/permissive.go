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
	if e.site.Duty == Guard {
		_ = e.latch.eachUnmet(fn) && e.eachCraftUnmet(fn)
		return
	}
	// Nothing is ever started: only what cannot be watched counts.
	if fn(Unmet{Need: NeedGuardDuty}) && (e.linkUp || fn(Unmet{Need: NeedLink})) {
		e.eachChannelUnmet(fn)
	}
}

// met is the craft's and the rules' part of that.
func (e *Engine) met() bool { return e.eachCraftUnmet(func(Unmet) bool { return false }) }

// eachCraftUnmet is the part of that list of craft, host and rules; false when fn said stop.
func (e *Engine) eachCraftUnmet(fn func(Unmet) bool) bool {
	goOn := func(bad bool, n Need) bool { return !bad || fn(Unmet{Need: n}) }
	power, height := e.latch.power(), e.limits.Reading(rules.Height)
	if !(goOn(!e.linkUp, NeedLink) &&
		goOn(e.runs(timerClash) && !power, NeedClash) &&
		goOn(e.armed && !power, NeedDisarmed) &&
		(!e.heightOff || power || fn(Unmet{Need: NeedHeight, Value: height.Value, Cause: height.Cause})) &&
		goOn(e.asksTurn && !e.latch.closed && (e.windDoubt || !e.runs(timerTurned)), NeedTurn) &&
		goOn(e.diskLow, NeedDisk) &&
		goOn(e.overdue != 0, NeedProof) &&
		goOn(!e.latch.rotors.Measured && !e.ground.on, NeedStopProven) &&
		goOn(e.cardAsks, NeedCard) &&
		goOn(e.ledgerHolds, NeedLedger) &&
		e.eachChannelUnmet(fn)) {
		return false
	}
	for i := range e.demands {
		if e.demands[i].counts() && !fn(Unmet{Need: NeedRule, Index: i}) {
			return false
		}
	}
	for i, holds := range e.limits.Holds() {
		if !holds && !fn(Unmet{Need: NeedPermissive, Index: i}) {
			return false
		}
	}
	return true
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

// permissive returns the next permissive that came or went while power is on.
func (e *Engine) permissive(at time.Duration) (f Effect, ok bool) {
	for i, holds := range e.limits.Holds() {
		if e.permTold[i] != holds {
			e.permTold[i] = holds
			p := &e.env.Permissives[i]
			now := e.limits.Reading(p.Watch)
			return Effect{Kind: NoteEffect, At: at, Reason: ReasonPermissiveLost, Rule: -1, Permissive: i,
				Channel: p.Watch, On: !holds, Limit: p.Limit, HasValue: now.Quality != rules.Missing, Value: now.Value}, true
		}
	}
	return Effect{}, false
}
