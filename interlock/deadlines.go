package interlock

import (
	"time"

	"downhaul/rules"
)

// Deadlines. What is due is looked for among the engine's own timers, the
// calculators, the channels that are heard and the rules whose on-delay runs:
// a rule or channel that stands still costs nothing.

// clock is the engine's own timers and its next deadline.
type clock struct {
	timers [timerCount]time.Duration
	next   time.Duration // may be early, never late
}

// arm sets a timer.
func (c *clock) arm(timer int, due time.Duration) {
	c.timers[timer] = due
	c.wake(due)
}

func (c *clock) disarm(timer int) { c.timers[timer] = rules.Never }

// hold runs a timer for as long as a condition holds without a break.
func (c *clock) hold(timer int, at, span time.Duration, holds bool) {
	switch {
	case !holds:
		c.disarm(timer)
	case c.timers[timer] == rules.Never:
		c.arm(timer, at+span)
	}
}

// wake makes sure that the engine is woken at due.
func (c *clock) wake(due time.Duration) { c.next = min(c.next, due) }

// earliest is the next deadline.
func (e *Engine) earliest() time.Duration {
	due := e.limits.Due()
	for _, t := range e.timers {
		due = min(due, t)
	}
	return due
}

// fire finds the earliest deadline; if it is at or before at it acts, all that
// fall on that instant in their order, and true is returned. Otherwise the
// cached deadline is brought up to date. Before time goes on, the instant that
// ends is concluded.
func (e *Engine) fire(at time.Duration) bool {
	due := e.earliest()
	if e.dirty && due > e.now {
		if at == e.now {
			e.next = at + 1
			return false
		}
		e.flush()
		e.conclude(e.now)
		e.flush()
		e.next = e.now // look again: a move may have made something due at once
		return true
	}
	e.next = due
	if due > at {
		return false
	}
	if due < e.now {
		due = e.now // armed in the past: acts at once, time never runs back
	}
	if due > e.now {
		e.flush()
	}
	e.now = due
	e.fireAt(due)
	e.moved()
	e.next = due // look again: more may fall on this instant or soon after
	return true
}

func (e *Engine) fireAt(due time.Duration) {
	for i := range timerDisarmed {
		e.act(i, due)
	}
	e.limits.Fire(due)
	// A phase is left last: a rule that turns missing in this instant still counts.
	for i := timerDisarmed; i < timerCount; i++ {
		e.act(i, due)
	}
}

// act lets one of the engine's own timers act if it is due.
func (e *Engine) act(i int, due time.Duration) {
	if e.timers[i] <= due {
		e.timers[i] = rules.Never
		e.timer(i, due)
	}
}

func (e *Engine) timer(i int, due time.Duration) {
	switch i {
	case timerDropOut:
		if e.mirrorClosed() {
			e.failed(due, EventMirrorClosed, ReasonPowerRemains)
		}
	case timerPowerRemains:
		e.checkPowerGone(due)
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
	case timerLink:
		e.linkUp = false
		e.builtinTrip(due, EventImmediate, ReasonLink)
	case timerLinkAge:
		e.linkAged(due)
	case timerArmed:
		e.unknown = rules.CraftArmed
		e.setArmed(due, true)
		e.unknown = rules.NoChannel
	case timerLanded:
		e.unknown = rules.CraftLanded
		e.landedUnknown(due)
		e.unknown = rules.NoChannel
	case timerHeight:
		e.cut(due, EventHeightLost, ReasonHeightLost)
	case timerClimb:
		e.cut(due, EventClimbing, ReasonClimbing)
	case timerGroundHeight, timerGroundPull:
		e.builtinTrip(due, EventImmediate, ReasonGroundUnseen)
	case timerSlack:
		e.builtinTrip(due, EventImmediate, ReasonTieDown)
	case timerGrace:
		e.cut(due, EventGraceOver, ReasonGraceOver)
	case timerDown:
		if e.isDown(due) {
			e.event(due, EventDown, ReasonDown, -1)
		}
	case timerClosing:
		e.later(moveClosing)
	case timerDisarmed:
		if e.agreesDisarmed(due) {
			e.setArmed(due, false)
		}
	case timerGrounded:
		if e.agreesGrounded(due) {
			e.setAirborne(due, false)
		}
	case timerStill:
		e.stillDone = true
	case timerClash:
		e.dirty = true
	case timerSound:
		e.resetUntil = false
		e.dirty = true
	case timerTurned:
		e.dirty = true
	case timerLoud:
		e.loud, e.alarm = false, false
		e.dirty = true
	}
}
