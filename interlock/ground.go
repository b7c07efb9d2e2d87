package interlock

import (
	"time"

	"downhaul/rules"
)

// A step on the ground runs without the predicted apex: while the stop is only
// stated, a standing craft's would lie far above any ceiling. In its place stands
// a built-in interlock that no file can take out: the power goes off when the
// craft leaves the ground, when the tie-down's pull is gone, or when nobody can
// tell.
const (
	// leftGround is how far above where it stood a craft has left the ground, m.
	leftGround = 1.0
	// slackFor is how long the tie-down's pull must be gone: longer than a rope
	// that shakes is slack.
	slackFor    = 100 * time.Millisecond
	pullSilence = 300 * time.Millisecond // how long the pull may be silent meanwhile
)

// groundStep is what the host says of the step in force.
type groundStep struct {
	on bool
	// least is what the load cell in the tie-down never reads less than while it
	// holds, N; 0 without one there.
	least float64
}

// groundRun is the step on the ground that runs now.
type groundRun struct {
	groundStep
	stood float64 // height as power came on, m
}

// groundTold takes the step in force. A run goes on under the one it began
// under; one that is about to begin does not begin.
func (e *Engine) groundTold(at time.Duration, s groundStep) {
	if s == e.ground {
		return
	}
	e.ground = s
	e.latch.unsettled()
	if e.latch.state == Closing {
		e.latch.event(at, EventPermissiveLost, ReasonStep, -1)
	}
}

// groundBegins is called as the chain closes; it says why it must not.
func (e *Engine) groundBegins(at time.Duration) (bar Reason) {
	e.onGround = groundRun{groundStep: e.ground}
	if !e.ground.on {
		return NoReason
	}
	if e.limits.Feeds(rules.Height) {
		h := e.limits.Fresh(rules.Height, at)
		if h.Quality != rules.Good {
			return ReasonGroundUnseen
		}
		e.onGround.stood = h.Value
		e.arm(timerGroundHeight, at+e.limits.Stale(rules.Height))
	}
	if e.ground.least > 0 {
		switch pull := e.limits.Reading(rules.Tension); {
		case pull.Quality != rules.Good, at-pull.At > pullSilence:
			return ReasonGroundUnseen
		case pull.Value < e.ground.least:
			return ReasonTieDown
		}
		e.arm(timerGroundPull, at+pullSilence)
	}
	return NoReason
}

// opened: nothing of a step on the ground is watched any more.
func (e *Engine) opened() {
	e.onGround = groundRun{}
	e.disarm(timerGroundHeight)
	e.disarm(timerGroundPull)
	e.disarm(timerSlack)
}

// groundHeight takes a height while a step on the ground runs.
func (e *Engine) groundHeight(at time.Duration, v float64, q rules.Quality) {
	if !e.onGround.on || !e.latch.closed || q == rules.Missing {
		return
	}
	if q == rules.Good {
		e.arm(timerGroundHeight, at+e.limits.Stale(rules.Height))
	}
	if v > e.onGround.stood+leftGround {
		e.latch.builtinTrip(at, EventImmediate, ReasonLeftGround)
	}
}

// groundPull takes the tie-down's pull while a step on the ground runs.
func (e *Engine) groundPull(at time.Duration, v float64, q rules.Quality) {
	if !(e.onGround.least > 0) || !e.latch.closed || q == rules.Missing {
		return
	}
	if q == rules.Good {
		e.arm(timerGroundPull, at+pullSilence)
	}
	switch slack := v < e.onGround.least; {
	case slack:
		e.hold(timerSlack, at, slackFor, true)
	case q == rules.Good:
		e.disarm(timerSlack)
	}
}
