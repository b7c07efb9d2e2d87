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
	Index int           // rule, permissive or channel ID
	Cause rules.Cause   // of a channel or the height: why its last reading is missing
	Value float64       // of the height, where it is not: m
	Since time.Duration // of a channel: the time from which it is healthy, or Never
}

// met reports whether everything is there that a start needs and that the latch does
// not know itself.
func (e *Engine) met() bool { return e.eachCraftUnmet(func(Unmet) bool { return false }) }

// eachCraftUnmet calls fn for each need of craft, host and rules that is not met; false
// when fn said stop.
func (e *Engine) eachCraftUnmet(fn func(Unmet) bool) bool {
	goOn := func(bad bool, n Need) bool { return !bad || fn(Unmet{Need: n}) }
	power, height := e.latch.power(), e.limits.Reading(rules.Height)
	if !(goOn(!e.linkUp, NeedLink) &&
		goOn(e.runs(timerClash) && !power, NeedClash) &&
		goOn(e.armed && !power, NeedDisarmed) &&
		(!e.heightOff || power || fn(Unmet{Need: NeedHeight, Value: height.Value, Cause: height.Cause})) &&
		goOn(e.asksTurn && !e.latch.closed && (e.windDoubt || !e.runs(timerTurned)), NeedTurn) &&
		goOn(e.bars[HostDisk], NeedDisk) &&
		goOn(e.overdue != 0, NeedProof) &&
		goOn(!e.latch.rotors.Measured && !e.ground.on, NeedStopProven) &&
		goOn(e.bars[HostCard], NeedCard) &&
		goOn(e.bars[HostLedger], NeedLedger) &&
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
