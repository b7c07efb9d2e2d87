package interlock

import (
	"strings"
	"time"

	"downhaul/rules"
)

// latch is the state, the input lines, the chain, the trips and the sound. It knows
// demands and facts, and no channel: what it must know of the craft it asks of below.
type latch struct {
	below below
	site  *Chain
	clock

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
	resetOK     bool // reset was pressed, and nothing has barred it or come since
	ended       bool
	relayBad    bool
	rotors      rules.RotorsStanding
	relayOn     bool
	beatOn      bool
	closed      bool // the chain is commanded closed
	closingStep int
	stillDone   bool // the rotors had their time to stand
	powerGone   bool // power was seen gone, or had its time to go

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

// below is what the latch asks of the craft and of the rules, and tells them. What
// they find meanwhile they answer: none of these calls leads back into the latch.
type below interface {
	// grounded reports whether the craft is known to be disarmed and landed, isDown
	// whether it is brought down, mayBeArmed whether it may be armed, heard whether it
	// is heard, silent whether it was and is no more.
	grounded() bool
	isDown(at time.Duration) bool
	mayBeArmed() bool
	heard() bool
	silent() bool
	// still reports whether the rotors are known to stand, where waited tells that they
	// had their time to; powerRemains reports whether power is known to reach them.
	still(at time.Duration, waited bool) bool
	powerRemains(at time.Duration) bool
	// broken reports whether a part of the program failed.
	broken() bool
	// asked returns the most urgent stop that a rule asks for, met whether everything
	// is there that a start needs and that the latch does not know itself.
	asked() rules.Stop
	met() bool
	// mayClose is asked as the chain is about to close, and answers what bars it;
	// opened is told that it opens.
	mayClose(at time.Duration) (bar Reason)
	opened()
	// entered is told that the latch has moved, and answers whether what lowering rests
	// on is lost already; forget is told that an episode is over.
	entered(at time.Duration, next State) (lost bool)
	forget()
	// unlisted returns the next standing demand that is not on record and has it
	// listed, permissive the next one that came or went while power is on.
	unlisted(at time.Duration) (f Effect, ok bool)
	permissive(at time.Duration) (f Effect, ok bool)
	// because names what is behind an event. consequence puts a trip behind another
	// one where it is part of that: that one too if it is new, as number next; what is
	// none has no kind.
	because(at time.Duration, why Reason, rule int) (Reason, int)
	consequence(f Effect, first bool, next uint32) (behind, is Effect)
}

// newLatch makes the latch of a session, which comes up as the one before ended. room
// is for how many effects.
func newLatch(b below, site *Chain, rotors rules.RotorsStanding, room int) latch {
	e := latch{below: b, site: site, clock: newClock(latchTimers), flash: rules.Never, rotors: rotors}
	switch site.PowerUp {
	case EndedInFault:
		e.state = Fault
	case EndedInTrip:
		e.state = Tripped
	}
	e.out, e.front = make([]Effect, 0, room), make([]Effect, 0, 16)
	return e
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

// latchTable is the whole latch: what each event leads to from each state, by its
// letter; where the craft is known to be disarmed and landed, t and w are blocked. A
// dash is not listed. testdata/latch.txt holds the same as rows, and a test compares
// the two. Every move to blocked, tripped or fault opens the relay and stops the
// heartbeat.
const latchLetters = "BRCLWTF"

var latchTable = [eventCount]string{
	//                   BRCLWTF
	EventMirrorClosed:   "FFFFFF-",
	EventSelfTest:       "FFFFFF-",
	EventNotClosed:      "--F----",
	EventEStop:          "TTTTT--",
	EventMirrorOpened:   "---TT--",
	EventImmediate:      "-BTTT--",
	EventGate:           "-BTTT--",
	EventHold:           "--Btt--",
	EventGraceOver:      "----T--",
	EventClimbing:       "----T--",
	EventHeightLost:     "----T--",
	EventDown:           "----T--",
	EventControlled:     "-BBW---",
	EventEnd:            "-BBw---",
	EventSessionEnd:     "-BBtt--",
	EventPermissiveLost: "-BB----",
	EventReset:          "-----BB",
	EventPermissives:    "R------",
	EventStart:          "-C-----",
	EventClosed:         "--L----",
}

// Next is the state that event leads to from state s. grounded reports whether the
// craft is known to be disarmed and landed. changed false means that the event
// is not listed for that state: it is ignored (and logged).
func (s State) Next(event Event, grounded bool) (next State, changed bool) {
	switch to := latchTable[event][s]; {
	case to == '-':
		return s, false
	case grounded && (to == 't' || to == 'w'):
		return Blocked, true
	default:
		return State(strings.IndexByte(latchLetters, to&^0x20)), true // as a capital
	}
}

// stopsTogether reports whether both contacts of the emergency stop are known to
// stand at one time as they were last read. Contacts that swap between two
// readings are told one after the other, and look both open, or both closed, in
// between: so each must have been read since the other moved.
func (e *latch) stopsTogether() bool {
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	return a.known && b.known && !a.behind && !b.behind
}

// stopHealthy reports whether the emergency stop is known not to be pressed.
func (e *latch) stopHealthy() bool {
	both := e.site.Fitted[EStopA] && e.site.Fitted[EStopB]
	return (!both || e.stopsTogether()) && e.onIfFitted(EStopA) && e.onIfFitted(EStopB)
}

// onIfFitted reports whether a line is known to be on, or is not there.
func (e *latch) onIfFitted(l Line) bool {
	return !e.site.Fitted[l] || e.lines[l].known && e.lines[l].on
}

// still reports whether the rotors are known to stand. A controller that lost its power
// tells a speed of nothing at once: no speed counts before they can stand.
func (e *latch) still(at time.Duration) bool {
	return (e.stillDone || e.timers[timerStill]-at <= e.rotorWindow()/2) && e.below.still(at, e.stillDone)
}

// power reports whether power can reach the rotors as intended.
func (e *latch) power() bool { return e.state == Live || e.state == Lowering }

// mirrorClosed reports whether the contactor is known to be closed, mirrorOpen whether
// it is known to be open: lines that are not read tell nothing.
func (e *latch) mirrorClosed() bool { return e.mirrorKnown() && e.lines[Readback].on }
func (e *latch) mirrorOpen() bool   { return e.mirrorKnown() && !e.lines[Readback].on }
func (e *latch) mirrorKnown() bool {
	return e.site.Fitted[Readback] && e.pinsKnown && e.lines[Readback].known
}

// mustBeOff reports whether no power may reach the rotors: the chain is open, and the
// window after its opening is over.
func (e *latch) mustBeOff() bool { return !e.closed && !e.runs(timerPowerRemains) }

// notRemoved reports whether the fault is power that was not removed, or may not be.
func (e *latch) notRemoved() bool {
	return e.why == ReasonPowerRemains || e.why == ReasonReadbackClosed
}

// eachUnmet calls fn for each need that is not met and that the latch knows itself;
// false when fn said stop.
func (e *latch) eachUnmet(fn func(Unmet) bool) bool {
	goOn := func(bad bool, n Need) bool { return !bad || fn(Unmet{Need: n}) }
	return goOn(e.ended, NeedNotEnded) &&
		goOn(!e.stopHealthy(), NeedStop) &&
		goOn(!e.onIfFitted(Gate), NeedGate) &&
		goOn(!e.pinsKnown, NeedPins) &&
		goOn(e.site.Fitted[Readback] && e.state != Closing && !e.closed && (!e.lines[Readback].known || e.lines[Readback].on), NeedReadback) &&
		goOn(e.relayBad, NeedRelay) &&
		goOn(e.kept < e.trips, NeedKept)
}

// allMet reports whether everything is there that a start needs, reset aside.
func (e *latch) allMet() bool {
	return e.site.Duty == Guard && e.eachUnmet(func(Unmet) bool { return false }) && e.below.met()
}

// setRelay and setBeat command the two halves of the chain; only a change is an effect.
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

// rotorWindow is twice the time after which the rotors stand; untold, a long one of ours.
func (e *latch) rotorWindow() time.Duration {
	if e.rotors.Standing > 0 {
		return 2 * e.rotors.Standing
	}
	return 10 * time.Second
}

// powerWindow is how long after an opening rotors may turn and current flow.
func (e *latch) powerWindow() time.Duration { return max(e.site.DropOut, e.rotorWindow()) }
