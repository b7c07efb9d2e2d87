package interlock

import (
	"time"
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
