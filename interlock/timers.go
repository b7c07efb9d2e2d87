package interlock

import (
	"time"
)

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
