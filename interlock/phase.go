package interlock

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// inForce reports whether a rule of that phase counts now.
func (e *Engine) inForce(p rules.Phase) bool {
	switch p {
	case rules.Armed:
		return e.armed
	case rules.Airborne:
		return e.airborne
	}
	return true
}

// builtins lets the built-in interlocks and the phases see a reading.
func (e *Engine) builtins(at time.Duration, id rules.ChannelID, r limits.Result) {
	switch id {
	default:
		e.powerSeen(at, id, r)
	case rules.CraftBootClock:
		e.bootClock(at, r)
	case rules.CraftArmed:
		if r.Quality == rules.Good {
			e.arm(timerArmed, at+e.limits.Stale(id))
			if r.Value != 0 {
				e.setArmed(at, true)
			}
		}
		e.consider(at) // "no value" agrees with nothing, however short
	case rules.CraftLanded:
		if r.Quality == rules.Good {
			e.arm(timerLanded, at+e.limits.Stale(id))
			if r.Value == 0 {
				e.setAirborne(at, true)
			}
		}
		e.consider(at)
	case rules.Height:
		if e.latch.state == Lowering && r.Quality == rules.Good {
			e.arm(timerHeight, at+e.limits.Stale(id))
		}
		e.heightNear(r)
		e.groundHeight(at, r.Value, r.Quality)
		e.consider(at)
	case rules.MotorHighest:
		e.consider(at)
	case rules.Tension:
		e.groundPull(at, r.Value, r.Quality)
	case rules.WindSpeed:
		e.windSeen(at, r)
	case rules.Climb:
		if e.latch.state != Lowering || r.Quality == rules.Missing {
			return
		}
		if r.Value > climbLimit {
			e.hold(timerClimb, at, climbFor, true)
		} else if r.Quality == rules.Good {
			e.disarm(timerClimb)
		}
	}
}

// windSeen watches for pulses of an anemometer whose wire nothing else watches:
// the wind that they tell is more than none.
func (e *Engine) windSeen(at time.Duration, r limits.Result) {
	doubt := limits.MayBeCut(r)
	turned := r.Quality == rules.Good && r.Value > 0
	if doubt != e.windDoubt || turned && !e.runs(timerTurned) {
		e.latch.unsettled()
	}
	e.windDoubt = doubt
	if turned {
		e.arm(timerTurned, at+turnLasts)
	}
}

// heightBack is how far inside the bound a height must be again before it no
// longer stands in the way of a start, m.
const heightBack = 0.2

// heightNear watches for a height that does not read near zero. A craft on the
// pad before a start is at zero: what it reads there is what every limit of
// height would be off by, and a drift or a home that crept away shows nowhere
// else. It counts before a start only.
func (e *Engine) heightNear(r limits.Result) {
	if e.site.Duty != Guard || r.Quality != rules.Good {
		return
	}
	bound := e.site.LowHeight
	if e.heightOff {
		bound -= heightBack
	}
	if off := math.Abs(r.Value) > bound; off != e.heightOff {
		e.heightOff = off
		e.latch.unsettled()
	}
}

// consider starts or stops the clocks that lead out of a phase and to "down".
func (e *Engine) consider(at time.Duration) {
	// Where the craft's word comes seldom, what it does is not kept waiting for it: driven
	// motors are armed, and with them, or high up, an armed craft is in the air.
	if e.agreement > phaseAgreement {
		out, height := e.limits.Fresh(rules.MotorHighest, at), e.limits.Fresh(rules.Height, at)
		driven := out.Quality != rules.Missing && out.Value > e.site.IdleOutput
		if driven {
			e.setArmed(at, true)
		}
		e.setAirborne(at, e.airborne || e.armed && (driven || height.Quality != rules.Missing && height.Value >= e.site.LowHeight))
	}
	if e.armed {
		e.hold(timerDisarmed, at, e.agreement, e.agreesDisarmed(at))
	}
	if e.airborne {
		e.hold(timerGrounded, at, e.agreement, e.agreesGrounded(at))
	}
	e.latch.down(at)
}

// flag is 1, 0 or −1 for unknown: a flag channel's fresh value.
func (e *Engine) flag(id rules.ChannelID, at time.Duration) int {
	r := e.limits.Fresh(id, at)
	switch {
	case r.Quality != rules.Good:
		return -1
	case r.Value != 0:
		return 1
	}
	return 0
}

// low reports whether the height is known to be below limit; true where no height
// is fed, because then other signs must do.
func (e *Engine) low(at time.Duration, limit float64) bool {
	if !e.byPhase || !e.limits.Feeds(rules.Height) {
		return true
	}
	r := e.limits.Fresh(rules.Height, at)
	return r.Quality == rules.Good && r.Value < limit
}

// outputsBelow reports whether every motor output is known to be at most limit; true
// where outputs are not fed. Outputs that the craft marks as unused (it does
// so while disarmed) are idle.
func (e *Engine) outputsBelow(at time.Duration, limit float64) bool {
	if !e.byPhase || !e.limits.Feeds(rules.MotorHighest) {
		return true
	}
	if r := e.limits.Fresh(rules.MotorHighest, at); r.Quality != rules.Missing {
		return r.Quality == rules.Good && r.Value <= limit
	}
	for _, id := range e.outputs {
		r := e.limits.Reading(id)
		unused := r.Quality == rules.Missing && r.Cause == rules.Sentinel
		low := r.Quality == rules.Good && r.Value <= limit
		if !unused && !low || at-r.At > e.limits.Stale(id) {
			return false
		}
	}
	return true
}

func (e *Engine) agreesDisarmed(at time.Duration) bool {
	return e.flag(rules.CraftArmed, at) == 0 && e.low(at, e.site.LowHeight) && e.outputsBelow(at, e.site.IdleOutput)
}

func (e *Engine) agreesGrounded(at time.Duration) bool {
	landed := e.flag(rules.CraftLanded, at)
	if landed == 0 || landed < 0 && e.flag(rules.CraftArmed, at) != 0 {
		return false
	}
	return e.low(at, e.site.LowHeight) && e.outputsBelow(at, e.site.IdleOutput)
}

func (e *Engine) isDown(at time.Duration) bool {
	return e.flag(rules.CraftLanded, at) == 1 && e.low(at, e.site.DownHeight) && e.outputsBelow(at, e.site.LowOutput)
}

func (e *Engine) grounded() bool   { return !e.armed && !e.airborne }
func (e *Engine) mayBeArmed() bool { return e.armed }
func (e *Engine) heard() bool      { return e.linkUp }
func (e *Engine) silent() bool     { return e.linkHeard && !e.linkUp }

// setArmed moves the armed phase. A craft that may be armed and of which
// nobody knows whether it is landed may be in the air.
func (e *Engine) setArmed(at time.Duration, on bool) {
	if e.armed != on {
		e.armed = on
		e.phaseMoved(at, rules.Armed)
	}
	if on && e.flag(rules.CraftLanded, at) < 0 {
		e.setAirborne(at, true)
	}
}

func (e *Engine) setAirborne(at time.Duration, on bool) {
	if e.airborne != on {
		e.airborne = on
		e.phaseMoved(at, rules.Airborne)
	}
}

// landedUnknown: too long without word. Without a word of "disarmed" either,
// the craft counts as airborne.
func (e *Engine) landedUnknown(at time.Duration) {
	e.disarm(timerGrounded)
	if e.armed || e.flag(rules.CraftArmed, at) != 0 {
		e.setAirborne(at, true)
	}
}

func (e *Engine) phaseMoved(at time.Duration, p rules.Phase) {
	e.latch.phaseMoved(at)
	for i := range e.env.Rules {
		if e.env.Rules[i].While == p {
			e.demandMoved(at, i, limits.ByValue)
			e.demandMoved(at, i, limits.ByMissing)
			e.cautionMoved(at, i, limits.ByValue)
		}
	}
}

// bootClock watches for a craft that restarted.
func (e *Engine) bootClock(at time.Duration, r limits.Result) {
	if r.Quality != rules.Good {
		return
	}
	if e.bootKnown && r.Value < e.maxBoot-restartBack {
		e.maxBoot = r.Value
		// What was healthy before belongs to the life before.
		e.limits.ForgetHealth()
		e.latch.unsettled()
		e.latch.passed(at, ReasonRestart)
		return
	}
	if !e.bootKnown || r.Value > e.maxBoot {
		e.bootKnown, e.maxBoot = true, r.Value
	}
}

// frame: a frame of the named craft was accepted.
func (e *Engine) frame(at time.Duration) {
	if gap := at - e.lastFrame; gap >= heardFor {
		e.unheard.silent += gap
	}
	e.lastFrame = at
	e.limits.ToldUntil(at + heardFor)
	e.arm(timerLink, at+e.site.LinkStale)
	if !e.linkUp {
		e.linkUp, e.linkHeard = true, true
		e.latch.heard()
	}
	if e.byAge {
		e.linkAge(at, at)
	}
}

// linkAge hands the age of the link to the rules and permissives on it: 0 with every
// frame; then it is told where silence takes it past a limit or a caution, doubtful as
// every value that silence makes: it counts, and keeps nothing fresh.
func (e *Engine) linkAge(frame, now time.Duration) {
	r := limits.Result{Quality: rules.Good}
	if now > frame {
		r = limits.Result{Value: float64(now-frame) / 1e9, Quality: rules.Doubtful, Cause: rules.Stale}
	}
	e.limits.Take(now, rules.LinkAge, r)
	for _, age := range e.ages {
		if frame+age > now {
			e.arm(timerLinkAge, frame+age)
			return
		}
	}
}
