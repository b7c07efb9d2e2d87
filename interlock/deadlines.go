package interlock

import (
	"slices"
	"time"

	"downhaul/rules"
)

// Deadlines. What is due is looked for among the timers of latch and craft, the
// calculators, the channels that are heard and the rules whose on-delay runs:
// a rule or channel that stands still costs nothing.

// The craft's timers, in the order in which they act at the same instant. What those
// of the latch do before, between and behind them stands there.
const (
	timerLink         = iota // something must have been heard by now
	timerLinkAge             // the age of the link passes a limit or caution
	timerArmed               // the word "armed or not" is too old now
	timerLanded              // the word "landed or not" is too old now
	timerHeight              // height is lost now (while lowering)
	timerClimb               // climbing for too long now (while lowering)
	timerGroundHeight        // height is lost now (in a step on the ground)
	timerGroundPull          // the tie-down's pull is not told any more
	timerSlack               // the tie-down's pull is gone for long enough now
	timerDisarmed            // the armed phase may be left
	timerGrounded            // the airborne phase may be left
	timerTurned              // the anemometer's last pulse no longer counts for a start
	timerClash               // long enough without a second sender
	craftTimers
)

// look has the next deadline be looked for at a time.
func (e *Engine) look(at time.Duration) { e.next, e.latch.next = at, rules.Never }

// fire finds the earliest deadline; if it is at or before at it acts, all that
// fall on that instant in their order, and true is returned. Otherwise the
// cached deadline is brought up to date. Before time goes on, the instant that
// ends is concluded.
func (e *Engine) fire(at time.Duration) bool {
	due := min(e.limits.Due(), slices.Min(e.timers), slices.Min(e.latch.timers))
	if e.latch.dirty && due > e.now {
		if at == e.now {
			e.look(at + 1)
			return false
		}
		e.latch.over(e.now)
		e.look(e.now) // again: a move may have made something due at once
		return true
	}
	e.look(due) // where it acts, it is looked at again: more may fall on this instant or soon after
	if due > at {
		return false
	}
	if due < e.now {
		due = e.now // armed in the past: acts at once, time never runs back
	}
	e.now = due
	e.fireAt(due)
	e.latch.moved(e.now)
	return true
}

// fireAt lets act what is due. A phase is left behind the limits: a rule that turns
// missing in this instant still counts.
func (e *Engine) fireAt(due time.Duration) {
	e.latch.fire(due, timerDropOut, timerGrace)
	e.act(due, timerLink, timerDisarmed, e.timer)
	e.latch.fire(due, timerGrace, timerStill)
	e.limits.Fire(due)
	e.act(due, timerDisarmed, craftTimers, e.timer)
	e.latch.fire(due, timerStill, latchTimers)
}

func (e *Engine) timer(i int, due time.Duration) {
	switch i {
	case timerLink:
		e.linkUp = false
		e.latch.builtinTrip(due, EventImmediate, ReasonLink)
	case timerLinkAge:
		e.linkAge(e.limits.Health(rules.LinkAge).Good, due)
	case timerArmed:
		e.unknown = rules.CraftArmed
		e.setArmed(due, true)
		e.unknown = rules.NoChannel
	case timerLanded:
		e.unknown = rules.CraftLanded
		e.landedUnknown(due)
		e.unknown = rules.NoChannel
	case timerHeight:
		e.latch.cut(due, EventHeightLost, ReasonHeightLost)
	case timerClimb:
		e.latch.cut(due, EventClimbing, ReasonClimbing)
	case timerGroundHeight, timerGroundPull:
		e.latch.builtinTrip(due, EventImmediate, ReasonGroundUnseen)
	case timerSlack:
		e.latch.builtinTrip(due, EventImmediate, ReasonTieDown)
	case timerDisarmed:
		if e.agreesDisarmed(due) {
			e.setArmed(due, false)
		}
	case timerGrounded:
		if e.agreesGrounded(due) {
			e.setAirborne(due, false)
		}
	case timerClash, timerTurned:
		e.latch.unsettled()
	}
}

// The latch's timers, in the order in which they act at the same instant. They act
// in three turns: those up to timerPins before the craft's, those from timerGrace on
// behind them, and those from timerStill on last of all.
const (
	timerDropOut      = iota // readback must say open by now
	timerPowerRemains        // rotors and current must be gone by now
	timerPowerBack           // rotors or current came back and stayed until now
	timerPickUp              // readback must say closed by now
	timerBounce              // its contact must have come to rest by now
	timerDiscrepancy         // both emergency-stop contacts must agree by now
	timerPins                // input lines must have been read by now
	timerGrace               // grace of the controlled stop ends
	timerDown                // down for long enough
	timerClosing             // next step of the closing sequence, at the end of the instant
	timerStill               // rotors count as standing without rpm
	timerSound               // "reset accepted" ends
	timerLoud                // the time in which a trip cannot be silenced ends
	latchTimers
)

// fire lets the latch's timers from one up to another act where they are due.
func (e *latch) fire(due time.Duration, from, to int) { e.act(due, from, to, e.timer) }

func (e *latch) timer(i int, due time.Duration) {
	switch i {
	case timerDropOut:
		if e.mirrorClosed() {
			e.failed(due, EventMirrorClosed, ReasonPowerRemains)
		}
	case timerPowerRemains:
		e.powerGone = true // from here on it can only come back
		if !e.closed && e.below.powerRemains(due) {
			e.failed(due, EventMirrorClosed, ReasonPowerRemains)
		}
	case timerPowerBack:
		e.failed(due, EventMirrorClosed, ReasonPowerRemains)
	case timerPickUp:
		e.pickUpOver(due)
	case timerBounce:
		if !e.mirrorClosed() {
			e.builtinTrip(due, EventMirrorOpened, ReasonReadbackOpened)
		}
	case timerDiscrepancy:
		e.stopsJudged(due)
	case timerPins:
		e.pinsSilent(due)
	case timerGrace:
		e.cut(due, EventGraceOver, ReasonGraceOver)
	case timerDown:
		if e.below.isDown(due) {
			e.event(due, EventDown, ReasonDown, -1)
		}
	case timerClosing:
		e.later(moveClosing)
	case timerStill:
		e.stillDone = true
	case timerSound:
		e.resetUntil = false
		e.dirty = true
	case timerLoud:
		e.loud, e.alarm = false, false
		e.dirty = true
	}
}
