package interlock

import (
	"time"

	"downhaul/rules"
)

// powerBackFor is how long rotors must turn, or current flow, with the chain
// open before that counts as power that came back: longer than one wrong
// sample, and no longer than a rotor's speed keeps, so that silence behind the
// first sample does not count as standing.
const powerBackFor = 500 * time.Millisecond

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
