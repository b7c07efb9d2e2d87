package interlock

import (
	"time"

	"downhaul/rules"
)

// powerUp decides how the session begins: open, silent, and latched if the one
// before did not end well.
func (e *latch) powerUp() {
	why := ReasonPowerUp
	switch e.state {
	case Tripped:
		why = ReasonUnfinishedTrip
	case Fault:
		why = ReasonUnfinishedFault
	}
	e.emit(Effect{Kind: RelayEffect, Rule: -1, Permissive: -1})
	e.emit(Effect{Kind: BeatEffect, Rule: -1, Permissive: -1})
	e.emit(Effect{Kind: StateEffect, From: e.state, State: e.state, Reason: why, Rule: -1, Permissive: -1})
	e.arm(timerStill, e.rotorWindow())
	if e.state == Tripped {
		e.loud = true
		e.arm(timerLoud, loudFor)
	}
	e.dirty = true
}

// recorded reports whether an event in this state is a trip to put on record, and
// not only a reason for not being ready.
func (e *latch) recorded(event Event) bool {
	if e.site.Duty == Watch {
		return true
	}
	if event == EventEStop {
		return e.state != Fault // also while the relay is open: a person saw a reason
	}
	switch e.state {
	case Live, Lowering:
		return true
	case Tripped:
		// Who goes in to the craft opens the gate and lets go of the switch.
		return event != EventGate && event != EventHold
	case Closing:
		return event != EventControlled
	}
	return false
}

// record numbers a trip and marks the first of an episode. In duty watch an
// episode is the time in which any demand stands; in duty guard it ends with
// the reset.
func (e *latch) record(f Effect) {
	first := !e.inEpisode
	if e.site.Duty == Watch {
		first = f.Rule < 0 || e.standing <= 1
	}
	e.newTrip(f)
	behind, is := e.below.consequence(f, first, e.trips+1)
	if behind.Kind == TripEffect {
		e.number(behind, first)
	}
	switch is.Kind {
	case TripEffect:
		e.number(is, first)
	case ConsequenceEffect:
		e.emit(is)
	}
	e.inEpisode = true
}

func (e *latch) number(f Effect, first bool) {
	e.trips++
	f.Trip, f.FirstOut = e.trips, first
	if first {
		e.first = f
	}
	e.emit(f)
}

// endEpisode forgets what was listed, so that it can be listed again.
func (e *latch) endEpisode() {
	e.inEpisode = false
	e.first, e.builtinListed = Effect{}, [reasonCount]bool{}
	e.below.forget()
}

// builtinTrip is the demand of a built-in interlock.
func (e *latch) builtinTrip(at time.Duration, event Event, why Reason) {
	e.builtinTripFor(at, event, why, 0)
}

// builtinTripFor is builtinTrip for a cause that has lasted a while.
func (e *latch) builtinTripFor(at time.Duration, event Event, why Reason, lasted time.Duration) {
	e.dirty = true
	reason, rule := e.below.because(at, why, -1)
	if e.recorded(event) && (!e.builtinListed[why] || e.site.Duty == Watch && event != EventEStop) {
		e.builtinListed[why] = true
		e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate, Lasted: lasted})
	}
	e.event(at, event, reason, rule)
}

// failed enters a fault, which makes a record of its own: numbered, and kept
// before a reset, like a trip. Power that was not removed is put on record on top
// of any other fault as well, because it is what people must read first.
func (e *latch) failed(at time.Duration, event Event, why Reason) {
	_, moves := e.state.Next(event, e.below.grounded())
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

// event lets the latch take one event. rule is the index of the rule behind
// it, −1 if there is none.
func (e *latch) event(at time.Duration, event Event, why Reason, rule int) bool {
	if e.site.Duty == Watch {
		return false
	}
	next, changed := e.state.Next(event, e.below.grounded())
	if changed {
		e.move(at, next, why, rule)
	}
	return changed
}

// move is the only place where the latch changes state.
func (e *latch) move(at time.Duration, next State, why Reason, rule int) {
	from := e.state
	e.state, e.since, e.why = next, at, why
	e.dirty = true
	switch next {
	case Blocked, Tripped, Fault:
		e.open(at)
	}
	e.resetOK = false // a reset that was pressed before says nothing of it
	e.emit(Effect{Kind: StateEffect, At: at, From: from, State: next, Reason: why, Rule: rule, Permissive: -1})
	e.disarm(timerClosing) // to closing it is armed anew
	e.disarm(timerPickUp)
	if next != Live && next != Lowering {
		e.disarm(timerBounce)
	}
	if next != Lowering {
		e.disarm(timerGrace)
		e.disarm(timerDown)
	}
	switch next {
	case Blocked:
		// Losing something that stands for itself keeps the reset of Ready:
		// nobody went in, and it shows when it is back. What is over in an
		// instant (end, a stall, a second sender) would not hold it here. Any
		// other way here needs a reset, too.
		switch {
		case from != Ready, why == ReasonEnd, why == ReasonStalled, why == ReasonClash:
			e.resetDone = false
		}
		if from == Live || from == Lowering {
			e.lamp(at)
		}
	case Closing:
		// The contactor was seen open: what closes from here on is no late one.
		e.disarm(timerDropOut)
		e.closingStep = 0
		e.arm(timerClosing, at+min(testRelayFrom, e.site.Horn))
	case Live:
		e.cautionHushed = false
		e.lamp(at)
	case Lowering:
		if !e.runs(timerGrace) {
			e.arm(timerGrace, at+e.site.EndGrace)
		}
	case Tripped:
		e.lamp(at)
	case Fault:
		// A run that ends in a fault ends. One that tripped has flashed.
		if from == Closing || from == Live || from == Lowering {
			e.lamp(at)
		}
	}
	if e.below.entered(at, next) {
		e.cut(at, EventHeightLost, ReasonHeightLost) // in this very call
		return
	}
	switch {
	case next == Lowering:
		e.down(at)
	case next == Tripped && from == Closing:
		// A controlled stop alone would only have kept the power off; in one instant
		// with a trip it is listed, whichever came first.
		for f, ok := e.below.unlisted(at); ok; f, ok = e.below.unlisted(at) {
			e.record(f)
		}
	}
}

// down looks whether the craft is brought down: it must stay so for long enough.
func (e *latch) down(at time.Duration) {
	if e.state == Lowering {
		e.hold(timerDown, at, downFor, e.below.isDown(at))
	}
}

// stands counts a stop that a rule asks for: it came, or it went.
func (e *latch) stands(came bool) {
	if e.dirty = true; came {
		e.standing++
	} else {
		e.standing--
	}
}

// stop takes a stop that a rule asks for from now on.
func (e *latch) stop(at time.Duration, stop rules.Stop, grace time.Duration, why Reason, rule int) {
	if stop == rules.Immediate {
		e.event(at, EventImmediate, why, rule)
		return
	}
	if due := at + grace; (e.state == Live || e.state == Lowering) && due < e.timers[timerGrace] {
		e.arm(timerGrace, due)
	}
	if e.moves&moveControlled == 0 {
		e.stopWhy, e.stopRule = why, rule
	}
	e.later(moveControlled)
}

func (e *latch) lamp(at time.Duration) {
	e.flash, e.flashState = at, e.state
	e.emit(Effect{Kind: LampEffect, At: at, Rule: -1, Permissive: -1, State: e.state})
}

// cut lets the latch take an event that no rule and no interlock stands behind: the
// crew's own end that was not down in its time, or the end of the guard. Where it
// trips and no stop has become due before, it makes the record: power that is taken
// off a craft in the air is never off the record.
func (e *latch) cut(at time.Duration, event Event, why Reason) bool {
	reason, rule := e.below.because(at, why, -1)
	if next, changed := e.state.Next(event, e.below.grounded()); changed && next == Tripped && !e.inEpisode && e.site.Duty == Guard {
		e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate})
	}
	return e.event(at, event, reason, rule)
}

// keep takes that the records of all trips up to a number are on disk; 0 takes back
// what was.
func (e *latch) keep(upTo uint32) {
	if upTo == 0 {
		e.kept = 0 // the records are no longer where they were kept
	}
	e.kept = max(e.kept, min(upTo, e.trips)) // nothing is kept before it is told
	e.dirty = true
}

// outside takes a trip by what is over in an instant, and that nobody may have looked
// meanwhile. Where the latch is blocked already, whatever else came first in this
// instant, a reset must not outlast that.
func (e *latch) outside(at time.Duration, why Reason) {
	if e.state == Blocked {
		e.resetDone, e.dirty = false, true
	}
	e.passed(at, why)
}

// passed takes a trip by what is over in an instant. Nothing of it bars a reset, nor need
// it make a new record that would: so a reset that was pressed before is void here.
func (e *latch) passed(at time.Duration, why Reason) {
	e.resetOK = false
	e.builtinTrip(at, EventImmediate, why)
}

// relayFailed takes that relay or heartbeat cannot be written, or can be again.
func (e *latch) relayFailed(at time.Duration, bad bool) {
	e.relayBad = bad
	e.dirty = true
	if bad && e.state != Fault {
		e.failed(at, EventSelfTest, ReasonRelayFailed)
	}
}

// rotorsStand takes how long the rotors need to stand.
func (e *latch) rotorsStand(r rules.RotorsStanding) {
	e.rotors = r
	e.dirty = true
}

// heard takes that the craft is heard again: in duty watch the next silence is another.
func (e *latch) heard() {
	e.builtinListed[ReasonLink] = e.builtinListed[ReasonLink] && e.site.Duty == Guard
	e.dirty = true
}

// phaseMoved takes that the craft's phase moved: hold-to-run that was let go in this
// instant is a trip in a craft that flies.
func (e *latch) phaseMoved(at time.Duration) {
	e.dirty = true
	if e.takes(moveHold) {
		e.holdReleased(at)
	}
}

// end takes that the guard ends.
func (e *latch) end() {
	e.ended = true
	e.resetDone = false
	e.later(moveSessionEnd)
}
