package interlock

import (
	"time"

	"downhaul/rules"
)

// heldUp takes the news that the loop did not run until now. The stall is a cause of
// its own, dated when the loop noticed it: what fell due meanwhile was decided by
// nobody then, so it acts now, behind it, and a silence that is only the loop's own
// does not stand as the first cause. What fell due before it acts at its own time:
// the loop may have done that in a turn that read nothing, which no recording shows.
// No level that was read before the stall says anything of the lines now.
func (e *Engine) heldUp(at time.Duration, in Input) []Effect {
	length := time.Duration(in.Seq) * time.Millisecond
	e.begin(min(at, at-length+1)) // the last turn ended its instant, see Deadline
	if at > e.now {
		if e.dirty {
			e.flush()
			e.conclude(e.now)
		}
		e.flush()
		e.now = at
	}
	e.unread(e.now, length)
	before := e.trips
	e.builtinTripFor(e.now, EventImmediate, ReasonStalled, length)
	if e.trips > before {
		e.unheard = unheard{trip: e.trips, from: at - length, rule: -1} // nobody listened: what fell silent meanwhile stands behind the stall
	}
	e.moved()
	for e.next <= e.now && e.fire(e.now) {
		// What fell due while the loop stood still.
	}
	return e.answer()
}

// unread forgets that the input lines were read in time: for so long nobody looked.
func (e *latch) unread(at, length time.Duration) {
	e.pinsKnown = false
	for l := range e.lines {
		e.lines[l].read = min(e.lines[l].read, at-e.site.PinStale)
	}
	if e.timers[timerDiscrepancy] != rules.Never {
		e.arm(timerDiscrepancy, at+e.site.Discrepancy) // nobody could see the other contact follow
	}
	// The heartbeat stood still as long: the watchdog has let go by now.
	e.mustBeOpen = e.closed && e.site.Watchdog > 0 && length > e.site.Watchdog+e.site.DropOut
	if e.state == Blocked {
		e.resetDone = false // it must not outlast a time in which nobody looked
	}
}

// watchdogHeld judges the first reading after a stall that was longer than the
// watchdog and the contactor need to let go: a mirror contact that is still closed
// says that the watchdog does not work. That the relay's own opening works is for
// the end of the drop-out time to say.
func (e *latch) watchdogHeld(at time.Duration, closed bool) {
	if e.mustBeOpen && closed {
		e.failed(at, EventSelfTest, ReasonWatchdog)
	}
	e.mustBeOpen = false
}

// builtinTripFor is builtinTrip for a cause that has lasted a while.
func (e *latch) builtinTripFor(at time.Duration, event Event, why Reason, lasted time.Duration) {
	e.dirty = true
	reason, rule := e.below.because(at, why, -1)
	if e.recorded(event) && (!e.builtinListed[why] || e.site.Duty == Watch) {
		e.builtinListed[why] = true
		e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate, Lasted: lasted})
	}
	e.event(at, event, reason, rule)
}
