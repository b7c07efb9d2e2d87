package interlock

import (
	"time"

	"downhaul/rules"
)

// latch is the state, the input lines, the chain, the trips and the sound. It knows
// demands and facts, and no channel: what it must know of the craft it asks of below.
type latch struct {
	below below
	site  *Chain
	*clock

	lines      [LineCount]lineRun
	pinsKnown  bool // every line was read in time
	pinsLost   bool // it was so, and is no more
	mustBeOpen bool // the watchdog has had its time: the next reading of the mirror tells
	stopsApart bool // the contacts of the emergency stop differ, and were not seen together since
	stopDoubt  bool // one contact of the emergency stop stayed; both must open first

	state       State
	since       time.Duration
	why         Reason // of the last move; only shown
	resetDone   bool
	resetOK     bool // conditions held when reset was pressed
	startArmed  bool // start was seen off in Ready
	ended       bool
	relayBad    bool
	rotors      rules.RotorsStanding
	relayOn     bool
	beatOn      bool
	closed      bool // the chain is commanded closed
	closingStep int
	stillDone   bool // the rotors had their time to stand

	standing      int // stop demands in force
	trips         uint32
	kept          uint32
	inEpisode     bool
	first         Effect // the first-out of the episode
	builtinListed [reasonCount]bool
	cautions      int
	sound         Sound
	resetUntil    bool
	silence
	flash      time.Duration // of the last lamp flash; only shown, as is its state
	flashState State

	dirty   bool // something moved that the end of the instant has to look at
	pending      // moves of the latch that wait for it

	out   []Effect
	front []Effect // relay and heartbeat of the group that is being made
	group int      // where it begins in out
}

// below is what the latch asks of the craft and of the rules, and tells them.
type below interface {
	// grounded reports whether the craft is known to be disarmed and landed, mayBeArmed
	// whether it may be armed, heard whether it is heard, silent whether it was and is
	// no more.
	grounded() bool
	mayBeArmed() bool
	heard() bool
	silent() bool
	// still reports whether the rotors are known to stand, powerRemains whether power
	// is known to reach them.
	still(at time.Duration) bool
	powerRemains(at time.Duration) bool
	// broken reports whether a part of the program failed.
	broken() bool
	// asked returns the most urgent stop that a rule asks for, allMet whether
	// everything that a start needs is there.
	asked() rules.Stop
	allMet() bool
	// mayClose is asked as the chain is about to close, and answers what bars it;
	// opened is told that it opens, entered that the latch has moved.
	mayClose(at time.Duration) (bar Reason)
	opened()
	entered(at time.Duration, from, next State)
	// liveOn is told of each end of an instant while power is on, forget that an
	// episode is over.
	liveOn(at time.Duration)
	forget()
	// because names what is behind an event, and consequence puts a trip behind
	// another one, if it is part of that.
	because(at time.Duration, why Reason, rule int) (Reason, int)
	consequence(f Effect, first bool) bool
}

// Event is something that can move the latch. Whether it counts (a reset
// pressed and released in its window, a start seen off first, and so on) was
// settled before it became an Event.
type Event uint8

// The events, in the order in which they act when several fall together:
// fault, immediate, controlled, end, reset, start.
const (
	EventMirrorClosed   Event = iota // mirror closed when it must be open, or power remains
	EventSelfTest                    // a self-test failed: relay write, contact discrepancy
	EventNotClosed                   // not closed by pick-up
	EventEStop                       // emergency stop, one contact or both
	EventMirrorOpened                // contactor opened by itself
	EventImmediate                   // an immediate stop is due; loop overrun, craft restart, identity clash
	EventGate                        // gate opened
	EventHold                        // hold-to-run released
	EventGraceOver                   // grace of a controlled stop ended
	EventClimbing                    // climbing while lowering
	EventHeightLost                  // height lost while lowering
	EventDown                        // landed, low, outputs low
	EventControlled                  // a controlled stop is due
	EventEnd                         // end pressed
	EventSessionEnd                  // the guard ends
	EventPermissiveLost              // a permissive was lost
	EventReset                       // reset accepted
	EventPermissives                 // every permissive holds and the reset was made
	EventStart                       // start accepted
	EventClosed                      // closing done: readback agrees
	eventCount
)

// Next is the state that event leads to from state s. grounded reports whether the
// craft is known to be disarmed and landed. changed false means that the event
// is not listed for that state: it is ignored (and logged).
//
// This is the whole latch; testdata/latch.txt holds the same table as rows and
// the test compares the two. Every move to Blocked, Tripped or Fault opens the
// relay and stops the heartbeat.
func (s State) Next(event Event, grounded bool) (next State, changed bool) {
	switch event {
	case EventMirrorClosed, EventSelfTest:
		if s != Fault {
			return Fault, true
		}
	case EventNotClosed:
		if s == Closing {
			return Fault, true
		}
	case EventEStop:
		if s != Fault && s != Tripped {
			return Tripped, true
		}
	case EventMirrorOpened:
		if s == Live || s == Lowering {
			return Tripped, true
		}
	case EventImmediate:
		switch s {
		case Ready:
			return Blocked, true
		case Closing, Live, Lowering:
			return Tripped, true
		}
	case EventGate:
		switch s {
		case Ready:
			return Blocked, true
		case Closing, Live, Lowering:
			return Tripped, true
		}
	case EventHold:
		switch s {
		case Closing:
			return Blocked, true
		case Live, Lowering:
			if grounded {
				return Blocked, true
			}
			return Tripped, true
		}
	case EventGraceOver, EventClimbing, EventHeightLost, EventDown:
		if s == Lowering {
			return Tripped, true
		}
	case EventControlled:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live:
			return Lowering, true
		}
	case EventEnd:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live:
			if grounded {
				return Blocked, true
			}
			return Lowering, true
		}
	case EventSessionEnd:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live, Lowering:
			if grounded {
				return Blocked, true
			}
			return Tripped, true
		}
	case EventPermissiveLost:
		if s == Ready || s == Closing {
			return Blocked, true
		}
	case EventReset:
		if s == Tripped || s == Fault {
			return Blocked, true
		}
	case EventPermissives:
		if s == Blocked {
			return Ready, true
		}
	case EventStart:
		if s == Ready {
			return Closing, true
		}
	case EventClosed:
		if s == Closing {
			return Live, true
		}
	}
	return s, false
}
