package interlock

import (
	"time"

	"downhaul/rules"
)

// setRelay and setBeat command the two halves of the chain; only a change is
// an effect.
func (e *latch) setRelay(at time.Duration, on bool) {
	if e.relayOn != on {
		e.relayOn = on
		e.emit(Effect{Kind: RelayEffect, At: at, On: on, Rule: -1, Permissive: -1})
	}
}

func (e *latch) setBeat(at time.Duration, on bool) {
	if e.beatOn != on {
		e.beatOn = on
		e.emit(Effect{Kind: BeatEffect, At: at, On: on, Rule: -1, Permissive: -1})
	}
}

// open takes the power off: relay dropped, heartbeat stopped, and the clocks
// that verify the opening started.
func (e *latch) open(at time.Duration) {
	e.below.opened()
	e.setRelay(at, false)
	e.setBeat(at, false)
	if !e.closed {
		return
	}
	e.closed = false
	e.stillDone = false
	if e.site.Fitted[Readback] {
		e.arm(timerDropOut, at+e.site.DropOut)
	}
	e.arm(timerPowerRemains, at+e.powerWindow())
	e.arm(timerStill, at+e.rotorWindow())
}

// rotorWindow is twice the time after which the rotors stand; where nobody told
// one, a long one of ours.
func (e *latch) rotorWindow() time.Duration {
	if e.rotors.Standing > 0 {
		return 2 * e.rotors.Standing
	}
	return 10 * time.Second
}

// powerWindow is how long after an opening rotors may turn and current flow.
func (e *latch) powerWindow() time.Duration { return max(e.site.DropOut, e.rotorWindow()) }

// mirrorClosed reports whether the contactor is known to be closed: lines that are
// not read tell nothing.
func (e *latch) mirrorClosed() bool {
	r := &e.lines[Readback]
	return e.site.Fitted[Readback] && e.pinsKnown && r.known && r.on
}

// mirrorOpen reports whether the contactor is known to be open.
func (e *latch) mirrorOpen() bool {
	r := &e.lines[Readback]
	return e.site.Fitted[Readback] && e.pinsKnown && r.known && !r.on
}

// powerBackFor is how long rotors must turn, or current flow, with the chain
// open before that counts as power that came back: longer than one wrong
// sample, and no longer than a rotor's speed keeps, so that silence behind the
// first sample does not count as standing.
const powerBackFor = 500 * time.Millisecond

// mustBeOff reports whether no power may reach the rotors: the chain is open, and the
// window after its opening is over.
func (e *latch) mustBeOff() bool { return !e.closed && !e.runs(timerPowerRemains) }

// powerBack takes word of power that reaches the rotors while none may. A guard that
// has just started may find rotors that run down from before; they get the whole
// window.
func (e *latch) powerBack(at time.Duration) {
	span := powerBackFor
	if !e.powerGone {
		span = max(span, e.powerWindow())
	}
	e.hold(timerPowerBack, at, span, true)
}

// powerOff takes word that none does; gone tells that this is for good.
func (e *latch) powerOff(gone bool) {
	e.disarm(timerPowerBack)
	e.powerGone = e.powerGone || gone
}

// pinsBack: the input lines are read again.
func (e *latch) pinsBack(at time.Duration) {
	e.pinsKnown, e.pinsLost = true, false
	e.later(moveUnseen)
	// Either contact of the emergency stop may have opened meanwhile.
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	a.opened, b.opened = true, true
	if a.known && b.known && !e.stopsApart {
		e.arm(timerDiscrepancy, at+e.site.Discrepancy)
	}
}

// mirrorUnseen: nobody saw the contactor for a while. A stall may have opened the
// chain and run through its drop-out time before the relay could be written; so what
// was last known closed, and reads closed, gets its time anew. What closes in this
// very instant does not.
func (e *latch) mirrorUnseen(at time.Duration) {
	if !e.closed && e.mirrorClosed() && e.lines[Readback].pressed < at {
		e.arm(timerDropOut, at+e.site.DropOut)
	}
}

// mirror takes a change of the readback: external device monitoring, compared
// at every change.
func (e *latch) mirror(at time.Duration, closed bool) {
	switch {
	case closed && !e.closed:
		if e.runs(timerDropOut) {
			return // still dropping out; the end of the window judges
		}
		e.failed(at, EventMirrorClosed, ReasonReadbackClosed)
	case closed && e.state == Closing:
		e.arm(timerBounce, at+contactBounce)
		e.later(moveClosed)
	case !closed && (e.state == Live || e.state == Lowering):
		if e.runs(timerBounce) {
			return // still bouncing; the end of that time judges
		}
		e.builtinTrip(at, EventMirrorOpened, ReasonReadbackOpened)
	}
}

// contactBounce is how long after its first closing a mirror contact may open
// again before that counts as an opening. Ours: several times the few
// milliseconds that contacts bounce, and less than a person notices. Opening
// the chain takes no notice of it.
const contactBounce = 20 * time.Millisecond

// closingOn does the next step of the closing sequence: relay without pulses,
// pulses without relay, and at the end of the horn both.
func (e *latch) closingOn(at time.Duration) {
	if e.state != Closing {
		return
	}
	next := rules.Never
	switch e.closingStep {
	case 0:
		e.setRelay(at, true)
		next = testRelayTo
	case 1:
		e.setRelay(at, false)
		next = testBeatFrom
	case 2:
		e.setBeat(at, true)
		next = testBeatTo
	case 3:
		e.setBeat(at, false)
		next = e.site.Horn
	case 4:
		if bar := e.below.mayClose(at); bar != NoReason {
			e.event(at, EventPermissiveLost, bar, -1)
			return
		}
		e.closed = true
		e.disarm(timerPowerBack)
		e.setRelay(at, true)
		e.setBeat(at, true)
		e.arm(timerPickUp, at+e.site.PickUp)
	}
	e.closingStep++
	if next != rules.Never {
		e.arm(timerClosing, max(at+1, e.since+next))
	}
}

// pickUpOver: the time in which the contactor had to close is over.
func (e *latch) pickUpOver(at time.Duration) {
	switch {
	case e.state != Closing:
	case !e.site.Fitted[Readback], e.mirrorClosed():
		e.later(moveClosed)
	default:
		e.failed(at, EventNotClosed, ReasonReadbackNot)
	}
}

// notRemoved reports whether the fault is power that was not removed, or may not be.
func (e *latch) notRemoved() bool {
	return e.why == ReasonPowerRemains || e.why == ReasonReadbackClosed
}
