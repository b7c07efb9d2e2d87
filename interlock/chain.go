package interlock

import (
	"math"
	"slices"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// setRelay and setBeat command the two halves of the chain; only a change is
// an effect.
func (e *Engine) setRelay(at time.Duration, on bool) {
	if e.relayOn != on {
		e.relayOn = on
		e.emit(Effect{Kind: RelayEffect, At: at, On: on, Rule: -1, Permissive: -1})
	}
}

func (e *Engine) setBeat(at time.Duration, on bool) {
	if e.beatOn != on {
		e.beatOn = on
		e.emit(Effect{Kind: BeatEffect, At: at, On: on, Rule: -1, Permissive: -1})
	}
}

// open takes the power off: relay dropped, heartbeat stopped, and the clocks
// that verify the opening started.
func (e *Engine) open(at time.Duration) {
	e.groundEnds()
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
func (e *Engine) rotorWindow() time.Duration {
	if e.rotors.Standing > 0 {
		return 2 * e.rotors.Standing
	}
	return 10 * time.Second
}

// longestReaction is the longest that a reaction can be told as; the pad file
// allows no longer one.
const longestReaction = time.Minute

// react has the predicted apex count on that reaction, never on a shorter one
// than the pad file states.
func (e *Engine) react(at, reaction time.Duration) {
	e.reaction = max(e.site.Derived.Reaction, min(reaction, longestReaction))
	e.limits.Expect(at, e.reaction)
}

// powerWindow is how long after an opening rotors may turn and current flow.
func (e *Engine) powerWindow() time.Duration { return max(e.site.DropOut, e.rotorWindow()) }

// mirrorClosed says that the contactor is known to be closed: lines that are
// not read tell nothing.
func (e *Engine) mirrorClosed() bool {
	r := &e.lines[Readback]
	return e.site.Fitted[Readback] && e.pinsKnown && r.known && r.on
}

// pinsBack: the input lines are read again. A stall may have opened the chain
// and run through its drop-out time before the relay could be written; so what
// was last known closed, and reads closed, gets its time anew.
func (e *Engine) pinsBack(at time.Duration) {
	e.pinsKnown, e.pinsLost = true, false
	e.dirty = true
	// Either contact of the emergency stop may have opened meanwhile.
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	a.opened, b.opened = true, true
	if a.known && b.known && !e.stopsApart {
		e.arm(timerDiscrepancy, at+e.site.Discrepancy)
	}
	if !e.closed && e.mirrorClosed() {
		e.arm(timerDropOut, at+e.site.DropOut)
	}
}

// mirror takes a change of the readback: external device monitoring, compared
// at every change.
func (e *Engine) mirror(at time.Duration, closed bool) {
	switch {
	case closed && !e.closed:
		if e.timers[timerDropOut] != rules.Never {
			return // still dropping out; the end of the window judges
		}
		e.failed(at, EventMirrorClosed, ReasonReadbackClosed)
	case closed && e.state == Closing:
		e.arm(timerBounce, at+contactBounce)
		e.later(moveClosed)
	case !closed && (e.state == Live || e.state == Lowering):
		if e.timers[timerBounce] != rules.Never {
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
func (e *Engine) closingOn(at time.Duration) {
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
		if !e.outputsBelow(at, e.site.IdleOutput) {
			e.event(at, EventPermissiveLost, ReasonNotIdle, -1)
			return
		}
		if bar := e.groundBegins(at); bar != NoReason {
			e.event(at, EventPermissiveLost, bar, -1)
			return
		}
		e.closed, e.flowSeen = true, false
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
func (e *Engine) pickUpOver(at time.Duration) {
	switch {
	case e.state != Closing:
	case !e.site.Fitted[Readback], e.mirrorClosed():
		e.later(moveClosed)
	default:
		e.failed(at, EventNotClosed, ReasonReadbackNot)
	}
}

// notRemoved says that the fault is power that was not removed, or may not be.
func (e *Engine) notRemoved() bool {
	return e.why == ReasonPowerRemains || e.why == ReasonReadbackClosed
}

// currents are the currents that can tell that no power flows. The first of them,
// powerCurrents, can also tell that power was not removed: another pack may feed
// what stays on.
var currents = [...]rules.ChannelID{rules.SupplyCurrent, rules.Pack1Current, rules.Pack2Current, rules.Pack3Current, rules.Pack4Current}

var powerCurrents = currents[:2]

// How rotors that the wind turns are told from rotors under power; ours. What
// cannot be told counts as power.
const (
	// noFlow is by how much a current may be above what it was while the rotors
	// stood behind the open chain: a rotor that idles under power takes more, and a
	// sensor is no more exact.
	noFlow = 0.5
	// windSpin is the fastest that wind turns a rotor, Hz: 5 m/s through a rotor of
	// 0.25 m pitch.
	windSpin = 20
)

// rotorTurns reports whether a rotor is known to turn, in either direction, faster
// than that: one that is heard is enough, whatever is known of the others.
func (e *Engine) rotorTurns(at time.Duration, speed float64) bool {
	for id := rules.Motor1Speed; id <= e.lastRotor(); id++ {
		r := e.limits.Fresh(id, at)
		if r.Quality == rules.Good && math.Abs(r.Value) > speed {
			return true
		}
	}
	return false
}

// windTurns reports whether rotors that turn behind the open chain are turned by the
// wind: the mirror contact reads open, no rotor is faster than wind turns it, and
// every current is known and as it was while the rotors stood (many a craft never
// tells the supply's: then the packs' count). A dead sensor tells of no current
// either, so one must have told of some in the last run, or the craft be disarmed,
// which drives no rotor.
func (e *Engine) windTurns(at time.Duration) bool {
	mirror, known := &e.lines[Readback], false
	if e.closed || e.site.IdleCurrent <= 0 || !e.site.Fitted[Readback] || !e.pinsKnown || !mirror.known || mirror.on ||
		!e.flowSeen && e.flag(rules.CraftArmed, at) != 0 || e.rotorTurns(at, windSpin) {
		return false
	}
	for i, id := range currents {
		if e.limits.Health(id).Heard || e.limits.Feeds(id) && id != rules.SupplyCurrent {
			r := e.limits.Fresh(id, at)
			if r.Quality != rules.Good || r.Value > e.atRest[i]+noFlow {
				return false
			}
			known = true
		}
	}
	return known
}

// currentSeen keeps what windTurns compares with.
func (e *Engine) currentSeen(at time.Duration, id rules.ChannelID, r derived.Result) {
	i := slices.Index(currents[:], id)
	switch rotors := e.limits.Fresh(rules.RotorSpeed, at); {
	case i < 0 || r.Quality != rules.Good:
	case r.Value > e.site.IdleCurrent:
		e.flowSeen = e.flowSeen || e.closed
	case !e.closed && rotors.Quality == rules.Good && rotors.Value <= e.site.StillRotor:
		e.atRest[i] = r.Value
	}
}

// powerRemains reports whether a rotor is known to turn that the wind does not turn,
// or a current to flow. What is not told cannot be seen: it does not count. A
// doubtful current counts as it does against a limit, and one past the range of its
// field flows, however much it is.
func (e *Engine) powerRemains(at time.Duration) bool {
	if e.rotorTurns(at, e.site.StillRotor) && !e.windTurns(at) {
		return true
	}
	if e.site.IdleCurrent <= 0 {
		return false
	}
	for _, id := range powerCurrents {
		r := e.limits.Fresh(id, at)
		if r.Quality != rules.Missing && r.Value > e.site.IdleCurrent || r.Cause == rules.OutOfRange && r.Quality == rules.Missing && at-r.At <= id.Stale() {
			return true
		}
	}
	return false
}

// lastRotor is the channel of the last fitted rotor's speed; it lies before the
// first one's where none is stated.
func (e *Engine) lastRotor() rules.ChannelID {
	return rules.Motor1Speed + rules.ChannelID(min(max(e.site.Derived.Motors, 0), derived.MaxMotors)) - 1
}

// checkPowerGone: rotors and current had their time to go away.
func (e *Engine) checkPowerGone(at time.Duration) {
	e.powerGone = true // from here on it can only come back
	if !e.closed && e.powerRemains(at) {
		e.failed(at, EventMirrorClosed, ReasonPowerRemains)
	}
}

// powerBackFor is how long rotors must turn, or current flow, with the chain
// open before that counts as power that came back: longer than one wrong
// sample, and no longer than a rotor's speed keeps, so that silence behind the
// first sample does not count as standing.
const powerBackFor = 500 * time.Millisecond

// powerBack takes a reading of a rotor's speed or of a pack's current. Once the
// window after an opening is over nothing may turn or flow until the chain
// closes again, however late it comes back, and however long the telemetry was
// silent at the end of that window. A guard that has just started may find
// rotors that run down from before; they get the whole window.
func (e *Engine) powerBack(at time.Duration, id rules.ChannelID, r derived.Result) {
	e.currentSeen(at, id, r)
	if e.closed || e.timers[timerPowerRemains] != rules.Never || r.Quality == rules.Missing && r.Cause != rules.OutOfRange {
		return
	}
	span := powerBackFor
	if !e.powerGone {
		span = max(span, e.powerWindow())
	}
	switch back := e.powerRemains(at); {
	case back:
		e.hold(timerPowerBack, at, span, true)
	case r.Quality == rules.Good:
		e.disarm(timerPowerBack)
		// The current goes at once, the rotors after it.
		e.powerGone = e.powerGone || id <= e.lastRotor() && id >= rules.Motor1Speed || !e.limits.Feeds(rules.RotorSpeed)
	}
}
