package interlock

import (
	"time"
)

// lineRun is what is known of one input line.
type lineRun struct {
	known, on bool
	read      time.Duration // when it was last read
	pressed   time.Duration // when it went on
	edge      bool          // it was seen to go on, not found on
	behind    bool          // not read since the other emergency-stop contact moved
	opened    bool          // of the emergency stop: since both were last closed for long enough
}

// line takes the level of one input line.
func (e *latch) line(at time.Duration, l Line, on bool) {
	if l >= LineCount || !e.site.Fitted[l] {
		return
	}
	r := &e.lines[l]
	first := !r.known
	was := r.on
	r.known, r.read, r.on = true, at, on
	e.pinsRead(at)
	if l == Readback {
		e.watchdogHeld(at, on)
	}
	if !first && was == on {
		if r.behind {
			r.behind, e.dirty = false, true
			e.stopsAgree(at)
		}
		return
	}
	r.behind = false
	e.dirty = true
	if on {
		r.pressed, r.edge = at, !first
	}
	switch l {
	case EStopA, EStopB:
		r.opened = r.opened || !on
		if other := EStopA + EStopB - l; e.site.Fitted[other] {
			e.lines[other].behind = true
		}
		e.stopsAgree(at)
		if !on {
			// No two contacts open in the same instant: the first says no more than
			// "pressed"; "one contact only" is for the end of the discrepancy time to say.
			e.builtinTrip(at, EventEStop, ReasonEStop)
		}
	case Gate:
		if !on {
			e.resetDone = false
			e.builtinTrip(at, EventGate, ReasonGate)
		}
	case Hold:
		if !on && !first {
			e.holdReleased(at)
		}
	case Readback:
		e.mirror(at, on)
	case Reset:
		if on || !first {
			e.later(moveReset)
		}
	case Start:
		if on {
			e.later(moveStart)
		}
	case End:
		if on && !first {
			e.later(moveEnd)
		}
	}
}

// pinsRead counts the time from the line that was read longest ago: lines may
// hang on several chips, and one that is read must not answer for another. After
// a silence they are known again when all of them were read.
func (e *latch) pinsRead(at time.Duration) {
	oldest := at
	for l := range e.lines {
		if !e.site.Fitted[l] {
			continue
		}
		r := &e.lines[l]
		if !e.pinsKnown && (!r.known || at-r.read >= e.site.PinStale) {
			return
		}
		oldest = min(oldest, r.read)
	}
	if !e.pinsKnown {
		e.pinsBack(at)
	}
	e.arm(timerPins, oldest+e.site.PinStale)
}

// pinsSilent: a line was not read in time. Where others were, it is told which.
func (e *latch) pinsSilent(due time.Duration) {
	e.pinsKnown, e.pinsLost = false, true
	if e.site.Fitted[Gate] {
		e.resetDone = false // it may have been open in between, and somebody inside
	}
	some := false
	for l := range e.lines {
		some = some || e.site.Fitted[l] && due-e.lines[l].read < e.site.PinStale
	}
	for l := range e.lines {
		if some && e.site.Fitted[l] && due-e.lines[l].read >= e.site.PinStale {
			e.emit(Effect{Kind: NoteEffect, At: due, On: true, Reason: ReasonPinsSilent, Rule: -1, Permissive: -1, Line: Line(l)})
		}
	}
	e.builtinTrip(due, EventImmediate, ReasonPinsSilent)
}

// unread forgets that the input lines were read in time: for so long nobody looked.
func (e *latch) unread(at, length time.Duration) {
	e.pinsKnown = false
	for l := range e.lines {
		e.lines[l].read = min(e.lines[l].read, at-e.site.PinStale)
	}
	if e.runs(timerDiscrepancy) {
		e.arm(timerDiscrepancy, at+e.site.Discrepancy) // nobody could see the other contact follow
	}
	// The heartbeat stood still as long: the watchdog has let go by now.
	e.mustBeOpen = e.closed && e.site.Watchdog > 0 && length > e.site.Watchdog+e.site.DropOut
	if e.state == Blocked {
		e.resetDone = false // it must not outlast a time in which nobody looked
	}
}

// watchdogHeld judges the first reading after a stall that was longer than the
// watchdog and the contactor need to let go: where a mirror contact is still closed,
// the watchdog does not work. That the relay's own opening works is for
// the end of the drop-out time to say.
func (e *latch) watchdogHeld(at time.Duration, closed bool) {
	if e.mustBeOpen && closed {
		e.failed(at, EventSelfTest, ReasonWatchdog)
	}
	e.mustBeOpen = false
}

// stopsAgree judges the two contacts of the emergency stop. One open contact
// already takes the power off; that they differ for too long is a fault, and so is
// that one opened and the other did not, however short that was.
func (e *latch) stopsAgree(at time.Duration) {
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	switch {
	case !a.known || !b.known:
	case a.on != b.on:
		if !e.stopsApart {
			e.stopsApart = true
			e.arm(timerDiscrepancy, at+e.site.Discrepancy)
		}
	case e.stopsTogether():
		e.stopsApart = false
		e.disarm(timerDiscrepancy)
		if !a.on {
			e.stopDoubt = false // both can open
			return
		}
		if a.opened || b.opened { // contacts bounce, and open one after the other
			e.arm(timerDiscrepancy, at+e.site.Discrepancy)
		}
		if e.site.Duty == Watch {
			e.builtinListed[ReasonEStop] = false // no latch: the next press is another
		}
	}
}

// stopsJudged is the end of the time in which the second contact may follow.
func (e *latch) stopsJudged(at time.Duration) {
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	e.stopsApart = false
	if a.on != b.on || a.opened != b.opened {
		e.stopDoubt = true
		e.failed(at, EventSelfTest, ReasonEStopOne)
	}
	if a.on && b.on {
		a.opened, b.opened = false, false
	}
}

// holdReleased trips at once where that is a trip. Where it only goes back to
// blocked it waits for the end of the instant, which may say that the craft flies.
func (e *latch) holdReleased(at time.Duration) {
	if e.below.grounded() || e.state == Closing {
		e.later(moveHold)
		return
	}
	e.builtinTrip(at, EventHold, ReasonHold)
}

// ignored puts on record that a button did nothing, and why.
func (e *latch) ignored(at time.Duration, l Line, why Reason) {
	e.emit(Effect{Kind: NoteEffect, At: at, Reason: why, Rule: -1, Permissive: -1, Line: l, On: true})
}

// reset acts on the release (ISO 13849-1, manual reset: by disengaging the
// actuator from its energised position), if the press was seen, lasted neither
// too short nor too long, and everything was in order from the press to the release.
func (e *latch) reset(at time.Duration) {
	r := &e.lines[Reset]
	if r.on {
		e.resetOK = r.edge && e.resetBar(at) == NoReason
		e.hushing = Silent
		if r.edge {
			e.hushing = e.hushable()
		}
		return
	}
	held := at - r.pressed
	bar := e.resetBar(at)
	switch {
	case !r.edge:
		bar = ReasonStuck
	case held < e.site.ResetShortest:
		bar = ReasonPressTooShort
	case held > e.site.ResetLongest:
		bar = ReasonPressTooLong
	default:
		if bar == NoReason && !e.resetOK {
			bar = ReasonPressAgain
		}
		if bar != NoReason {
			e.hush(at) // as a reset it is ignored all the same
		}
	}
	if bar != NoReason {
		e.ignored(at, Reset, bar)
		return
	}
	e.endEpisode()
	e.event(at, EventReset, ReasonReset, -1)
	e.resetDone = true
	e.resetUntil = true
	e.dirty = true
	e.arm(timerSound, at+resetSound)
	e.emit(Effect{Kind: NoteEffect, At: at, Reason: ReasonReset, Rule: -1, Permissive: -1, Line: Reset})
}

// resetBar is what stands against a reset now, NoReason for nothing.
func (e *latch) resetBar(at time.Duration) Reason {
	switch {
	case e.site.Duty == Watch:
		return ReasonDuty
	case e.ended, e.state == Ready, e.state == Closing, e.state == Live, e.state == Lowering:
		return ReasonNotNow
	case !e.pinsKnown:
		return ReasonPinsSilent
	case !e.stopHealthy():
		return ReasonEStop
	case e.stopDoubt:
		return ReasonEStopOne
	case !e.onIfFitted(Gate):
		return ReasonGate
	case e.mirrorClosed():
		return ReasonReadbackClosed
	case e.relayBad:
		return ReasonRelayFailed
	case e.below.broken():
		return ReasonBroken
	case e.state == Blocked:
		return NoReason
	case !e.below.heard():
		return ReasonLink
	case e.standing > 0:
		return ReasonCausePresent
	case e.below.mayBeArmed():
		return ReasonArmed
	case !e.still(at):
		return ReasonTurning
	case e.below.powerRemains(at):
		return ReasonPowerRemains
	case e.kept < e.trips:
		return ReasonNotKept
	}
	return NoReason
}

// start takes a press of start; in Ready it counts if it went on behind the instant that
// led there: so start was read off there before, at the earliest as the last level of
// that instant.
func (e *latch) start(at time.Duration) {
	switch r := &e.lines[Start]; {
	case !r.on: // pressed and released within one instant
	case !r.edge || e.state == Ready && r.pressed <= e.since:
		e.ignored(at, Start, ReasonStuck)
	case e.state != Ready:
		e.ignored(at, Start, ReasonNotNow)
	case !e.onIfFitted(Hold):
		e.ignored(at, Start, ReasonNotHeld)
	case e.lines[End].on: // held, or stuck: a stop overrides a start (IEC 60204-1, clause 9)
		e.ignored(at, Start, ReasonEnd)
	default:
		e.event(at, EventStart, ReasonStart, -1)
	}
}
