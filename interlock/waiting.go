package interlock

import (
	"time"

	"downhaul/rules"
)

// clock is the timers of one part and its next deadline.
type clock struct {
	timers []time.Duration
	next   time.Duration // may be early, never late
}

func newClock(timers int) clock {
	c := clock{timers: make([]time.Duration, timers)}
	for i := range c.timers {
		c.timers[i] = rules.Never
	}
	return c
}

// arm sets a timer.
func (c *clock) arm(timer int, due time.Duration) {
	c.timers[timer] = due
	c.wake(due)
}

func (c *clock) disarm(timer int) { c.timers[timer] = rules.Never }

// runs reports whether a timer is set.
func (c *clock) runs(timer int) bool { return c.timers[timer] != rules.Never }

// hold runs a timer for as long as a condition holds without a break.
func (c *clock) hold(timer int, at, span time.Duration, holds bool) {
	switch {
	case !holds:
		c.disarm(timer)
	case !c.runs(timer):
		c.arm(timer, at+span)
	}
}

// wake makes sure that the engine is woken at due.
func (c *clock) wake(due time.Duration) { c.next = min(c.next, due) }

// act has f act for each timer from one up to another that is due, and takes it away.
func (c *clock) act(due time.Duration, from, to int, f func(timer int, due time.Duration)) {
	for i := from; i < to; i++ {
		if c.timers[i] <= due {
			c.disarm(i)
			f(i, due)
		}
	}
}

// moves are moves of the latch that wait for the end of the instant.
type moves uint16

const (
	moveUnseen     moves = 1 << iota // the input lines are read again
	moveHold                         // hold-to-run was released, and that is no trip
	moveControlled                   // a controlled stop is due
	moveEnd                          // end was pressed
	moveSessionEnd                   // the guard ends
	moveLost                         // something that a start needs was lost
	moveReset                        // reset was pressed or released
	moveStart                        // start was pressed
	moveClosed                       // the readback agrees that the chain is closed
	moveClosing                      // the next step of the closing sequence is due
)

// pending is what waits for the end of the instant.
type pending struct {
	moves moves
	// The first controlled stop of the instant: its reason and rule.
	stopWhy  Reason
	stopRule int
}

// later has a move wait for the end of the instant.
func (e *latch) later(m moves) {
	e.moves |= m
	e.dirty = true
}

// takes reports whether a move waits, and takes it away.
func (e *latch) takes(m moves) bool {
	waits := e.moves&m != 0
	e.moves &^= m
	return waits
}

// unsettled has the end of the instant look at what moved.
func (e *latch) unsettled() { e.dirty = true }

func (e *latch) clear() { e.out, e.front, e.group = e.out[:0], e.front[:0], 0 }

func (e *latch) emit(f Effect) {
	if f.Kind == RelayEffect || f.Kind == BeatEffect {
		e.front = append(e.front, f)
		return
	}
	e.out = append(e.out, f)
}

// flush ends a group of effects: relay and heartbeat come first in it, each in
// their order. What one instant brings by its timers, by each input and at its end
// is a group, however many of them a call brings; so the order of all effects is
// the same however often the engine is woken. What emits by a timer also has the end
// of its instant looked at (dirty), which ends its group before time goes on.
func (e *latch) flush() {
	if n, m := len(e.front), len(e.out); n > 0 {
		e.out = append(e.out, e.front...)
		copy(e.out[e.group+n:], e.out[e.group:m])
		copy(e.out[e.group:], e.front)
		e.front = e.front[:0]
	}
	e.group = len(e.out)
}

// answer returns what this call decided.
func (e *latch) answer() []Effect {
	e.flush()
	return e.out
}
