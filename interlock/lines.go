package interlock

import (
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
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
func (e *Engine) line(at time.Duration, l Line, on bool) {
	if l >= LineCount || !e.site.Fitted[l] {
		return
	}
	r := &e.lines[l]
	first := !r.known
	was := r.on
	r.known, r.read, r.on = true, at, was && on // pinsRead asks which were closed, and still are
	e.pinsRead(at)
	if l == Readback {
		e.watchdogHeld(at, on)
	}
	if l == Start && !on && e.state == Ready {
		e.startArmed = true
	}
	if !first && was == on {
		if r.behind {
			r.behind, e.dirty = false, true
			e.stopsAgree(at)
		}
		return
	}
	r.on, r.behind = on, false
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
			e.stopDemand(at)
		}
	case Gate:
		if !on {
			e.resetDone, e.resetOK = false, false
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
func (e *Engine) pinsRead(at time.Duration) {
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
func (e *Engine) pinsSilent(due time.Duration) {
	e.pinsKnown, e.pinsLost = false, true
	e.resetOK = false
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

// stopsTogether reports whether both contacts of the emergency stop are known to
// stand at one time as they were last read. Contacts that swap between two
// readings are told one after the other, and look both open, or both closed, in
// between: so each must have been read since the other moved.
func (e *Engine) stopsTogether() bool {
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	return a.known && b.known && !a.behind && !b.behind
}

// stopsAgree judges the two contacts of the emergency stop. One open contact
// already takes the power off; that they differ for too long is a fault, and so is
// that one opened and the other did not, however short that was.
func (e *Engine) stopsAgree(at time.Duration) {
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
func (e *Engine) stopsJudged(at time.Duration) {
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

// stopDemand: no two contacts open in the same instant, so the first says no
// more than "pressed"; "one contact only" is for the end of the discrepancy
// time to say.
func (e *Engine) stopDemand(at time.Duration) {
	const why = ReasonEStop
	e.resetOK = false // pressed while reset was held
	// Pressed while the relay is open it still trips: a person saw a reason.
	if (e.state != Fault || e.site.Duty == Watch) && !e.builtinListed[why] {
		e.builtinListed[why] = true
		e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate})
	}
	e.event(at, EventEStop, why, -1)
}

// stopHealthy reports whether the emergency stop is known not to be pressed.
func (e *Engine) stopHealthy() bool {
	if e.site.Fitted[EStopA] && e.site.Fitted[EStopB] && !e.stopsTogether() {
		return false
	}
	for _, l := range [...]Line{EStopA, EStopB} {
		if e.site.Fitted[l] && !(e.lines[l].known && e.lines[l].on) {
			return false
		}
	}
	return true
}

// onIfFitted says that a line is known to be on, or is not there.
func (e *Engine) onIfFitted(l Line) bool {
	return !e.site.Fitted[l] || e.lines[l].known && e.lines[l].on
}

// holdReleased trips at once where that is a trip. Where it only goes back to
// blocked it waits for the end of the instant, which may say that the craft flies.
func (e *Engine) holdReleased(at time.Duration) {
	if e.grounded() || e.state == Closing {
		e.later(moveHold)
		return
	}
	e.builtinTrip(at, EventHold, ReasonHold)
}

// ignored puts on record that a button did nothing, and why.
func (e *Engine) ignored(at time.Duration, l Line, why Reason) {
	e.emit(Effect{Kind: NoteEffect, At: at, Reason: why, Rule: -1, Permissive: -1, Line: l, On: true})
}

// reset acts on the release (ISO 13849-1, manual reset: by disengaging the
// actuator from its energised position), if the press was seen, lasted neither
// too short nor too long, and everything was in order at both.
func (e *Engine) reset(at time.Duration) {
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
			bar = ReasonCausePresent
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
func (e *Engine) resetBar(at time.Duration) Reason {
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
	case e.limits.Broken():
		return ReasonBroken
	case e.state == Blocked:
		return NoReason
	case !e.linkUp:
		return ReasonLink
	case e.standing > 0:
		return ReasonCausePresent
	case e.armed:
		return ReasonArmed
	case !e.still(at):
		return ReasonTurning
	case e.powerRemains(at):
		return ReasonPowerRemains
	case e.kept < e.trips:
		return ReasonNotKept
	}
	return NoReason
}

// still says that the rotors are known to stand: by their speed, or, where no
// speed is told, because twice the proven stop time has passed.
func (e *Engine) still(at time.Duration) bool {
	if e.rotorTurns(at, e.site.StillRotor) {
		return false // whatever is known of the others
	}
	r := e.limits.Fresh(rules.RotorSpeed, at)
	if r.Quality == rules.Good {
		return r.Value <= e.site.StillRotor
	}
	return e.stillDone
}

// start takes a press of start; in Ready it counts if start was read off there
// before, at the earliest as the last level of the instant that led there.
func (e *Engine) start(at time.Duration) {
	switch r := &e.lines[Start]; {
	case !r.on: // pressed and released within one instant
	case !r.edge || e.state == Ready && !e.startArmed:
		e.ignored(at, Start, ReasonStuck)
	case e.state != Ready:
		e.ignored(at, Start, ReasonNotNow)
	case !e.onIfFitted(Hold):
		e.ignored(at, Start, ReasonNotHeld)
	default:
		e.event(at, EventStart, ReasonStart, -1)
	}
}

// frame: a frame of the named craft was accepted.
func (e *Engine) frame(at time.Duration) {
	if gap := at - e.lastFrame; gap >= heardFor {
		e.unheard.silent += gap
	}
	e.lastFrame = at
	e.limits.ToldUntil(at + heardFor)
	e.arm(timerLink, at+e.site.LinkStale)
	if !e.linkUp {
		e.linkUp, e.linkHeard = true, true
		e.dirty = true
		e.builtinListed[ReasonLink] = e.builtinListed[ReasonLink] && e.site.Duty == Guard
	}
	if e.byAge {
		e.linkAge(at)
	}
}

// linkAge serves rules and permissives on the age of the link: 0 with every
// frame, and from then on it grows by itself.
func (e *Engine) linkAge(at time.Duration) {
	e.limits.Take(at, rules.LinkAge, derived.Result{Quality: rules.Good})
	e.armLinkAge(at, at)
}

// armLinkAge sets the timer to the first instant after now at which the age
// is past the next limit or caution.
func (e *Engine) armLinkAge(frame, now time.Duration) {
	for _, age := range e.ages {
		if frame+age > now {
			e.arm(timerLinkAge, frame+age)
			return
		}
	}
}

// linkAged: silence took the age past a limit or a caution. It is doubtful as
// every value that silence makes: it counts, and keeps nothing fresh.
func (e *Engine) linkAged(due time.Duration) {
	frame := e.limits.Health(rules.LinkAge).Good
	e.limits.Take(due, rules.LinkAge, derived.Result{Value: float64(due-frame) / 1e9, Quality: rules.Doubtful, Cause: rules.Stale})
	e.armLinkAge(frame, due)
}

// seconds turns SI seconds into a duration; what does not fit becomes Never/4,
// far beyond any session.
func seconds(s float64) time.Duration {
	ns := s * 1e9
	if !(ns < float64(rules.Never/4)) {
		return rules.Never / 4
	}
	return time.Duration(ns)
}

// host takes what the host says.
func (e *Engine) host(at time.Duration, in Input) {
	note := Effect{Kind: NoteEffect, At: at, Rule: -1, Permissive: -1, On: in.On, Trip: in.Seq}
	switch in.Host {
	case HostKept:
		if in.Seq == 0 {
			e.kept = 0 // the records are no longer where they were kept
		}
		e.kept = max(e.kept, min(in.Seq, e.trips)) // nothing is kept before it is told
		e.dirty = true
		return
	case HostLost:
		note.Reason = ReasonLost
	case HostStalled:
		if e.state == Blocked {
			// The pins' silence, which ends first, has taken Ready away already:
			// the reset must not outlast a time in which nobody looked.
			e.resetDone, e.dirty = false, true
		}
		e.builtinTrip(at, EventImmediate, ReasonStalled)
		return
	case HostRelayFailed:
		e.relayBad = in.On
		e.dirty = true
		if in.On && e.state != Fault {
			e.failed(at, EventSelfTest, ReasonRelayFailed)
		}
		return
	case HostBroken:
		if !e.limits.Broken() {
			e.limits.Break()
			e.broke(at)
		}
		return
	case HostLink:
		note.Reason = ReasonLink
	case HostDisk:
		e.diskLow = in.On
		e.dirty = true
		note.Reason = ReasonDisk
	case HostProof:
		if in.Seq < 64 {
			if in.On {
				e.overdue |= 1 << in.Seq
			} else {
				e.overdue &^= 1 << in.Seq
			}
		}
		e.dirty = true
		note.Reason = ReasonProof
	case HostStopTime:
		e.rotors = rules.RotorsStanding{Standing: time.Duration(in.Seq) * time.Millisecond, Measured: in.On}
		e.dirty = true
		note.Reason = ReasonStopProven
	case HostGround:
		e.groundTold(at, groundStep{in.On, float64(in.Seq) / 1000})
		note.Reason = ReasonStep
	case HostReaction:
		e.react(at, time.Duration(in.Seq)*time.Millisecond)
		note.Reason = ReasonReaction
	case HostCard:
		e.cardAsks = in.On
		e.dirty = true
		note.Reason = ReasonCard
	case HostLedger:
		e.ledgerHolds = in.On
		e.dirty = true
		note.Reason = ReasonLedger
	case HostClash:
		e.arm(timerClash, at+e.site.ReadyAfter)
		if e.state == Blocked {
			e.resetDone, e.dirty = false, true // as from ready, whatever else came first in this instant
		}
		e.builtinTrip(at, EventImmediate, ReasonClash)
		return
	case HostMark:
		note.Reason = ReasonMark
	case HostDeclared:
		note.Reason = ReasonDeclared
	case HostSensor:
		note.Reason = ReasonSensor
		note.Channel = in.Sample.Channel
	case HostEnd:
		e.ended = true
		e.resetDone = false
		e.later(moveSessionEnd)
		return
	default:
		return
	}
	e.emit(note)
}

// failed enters a fault, which makes a record of its own: numbered, and kept
// before a reset, like a trip. Power that was not removed is put on record on top
// of any other fault as well, because it is what people must read first.
func (e *Engine) failed(at time.Duration, event Event, why Reason) {
	_, moves := e.state.Next(event, e.grounded())
	worse := e.state == Fault && event == EventMirrorClosed && !e.notRemoved()
	if e.site.Duty == Watch || !moves && !worse {
		return
	}
	e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate})
	if !e.event(at, event, why, -1) {
		e.why = why
		e.emit(Effect{Kind: NoteEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1})
	}
}
