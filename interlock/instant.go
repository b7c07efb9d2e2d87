package interlock

import (
	"time"
)

// One instant, one order. A turn of the loop hands over what it read at one
// engine time, in an order that says nothing of what came first. So a trip or a
// fault acts in the very call; every other move of the latch waits until the
// instant is over, and all that wait are then made in one order: hold-to-run,
// controlled, end, the guard's end, conditions, reset, start, closed, closing. The instant is over with
// the next call at a later time, a nanosecond later at the earliest, which is
// what Deadline then asks for.

// moved looks at what an input or a timer has moved: at what need not wait for the end
// of the instant at once. What bars a reset, if only now, voids one that is held.
func (e *latch) moved(at time.Duration) {
	e.resetOK = e.resetOK && e.resetBar(at) == NoReason
	if !e.dirty {
		return
	}
	if (e.state == Ready || e.state == Closing) && !e.allMet() {
		e.later(moveLost) // also where it is back before the instant is over
	}
	if e.moves == 0 { // else the sound follows them
		e.follow(at)
	}
	e.wake(at + 1)
}

// over ends an instant: time goes on.
func (e *latch) over(at time.Duration) {
	e.flush()
	e.conclude(at)
	e.flush()
}

// conclude ends an instant: it makes the moves that waited, in their order, and
// lets permissives and the sound follow what moved.
func (e *latch) conclude(at time.Duration) {
	for e.dirty {
		e.dirty = false
		e.fallBack(at)
		e.leadOn(at)
		e.follow(at)
	}
}

// fallBack makes the moves that lead to the safe side.
func (e *latch) fallBack(at time.Duration) {
	if e.takes(moveUnseen) {
		e.mirrorUnseen(at)
	}
	if e.takes(moveHold) {
		e.event(at, EventHold, ReasonHold, -1)
	}
	if e.takes(moveControlled) {
		e.event(at, EventControlled, e.stopWhy, e.stopRule)
	}
	if e.takes(moveEnd) && !e.event(at, EventEnd, ReasonEnd, -1) {
		e.ignored(at, End, ReasonNotNow)
	}
	if e.takes(moveSessionEnd) {
		if !e.cut(at, EventSessionEnd, ReasonSessionEnd) {
			e.emit(Effect{Kind: NoteEffect, At: at, On: true, Reason: ReasonSessionEnd, Rule: -1, Permissive: -1})
		}
		e.open(at)
	}
	lost := e.takes(moveLost)
	switch e.state {
	case Ready, Closing:
		if lost || !e.allMet() {
			e.event(at, EventPermissiveLost, ReasonPermissiveLost, -1)
		}
	case Live, Lowering: // a permissive that is lost is no trip
		for f, ok := e.below.permissive(at); ok; f, ok = e.below.permissive(at) {
			e.emit(f)
		}
	}
}

// leadOn makes the moves that lead towards power.
func (e *latch) leadOn(at time.Duration) {
	if e.takes(moveReset) {
		e.reset(at)
	}
	if e.state == Blocked && e.resetDone && e.allMet() {
		e.event(at, EventPermissives, ReasonPermissivesHold, -1)
	}
	if e.takes(moveStart) {
		e.start(at)
	}
	if e.takes(moveClosed) {
		e.event(at, EventClosed, ReasonClosed, -1)
	}
	if e.takes(moveClosing) {
		e.closingOn(at)
	}
}

// follow lets the sound follow what moved.
func (e *latch) follow(at time.Duration) {
	if s := e.soundNow(); s != e.sound {
		e.sound = s
		e.emit(Effect{Kind: SoundEffect, At: at, Sound: s, Rule: -1, Permissive: -1})
	}
}
