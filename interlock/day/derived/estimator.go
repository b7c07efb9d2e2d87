package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Bits of ESTIMATOR_STATUS_FLAGS (MAVLink common message set).
const (
	estimatorVelocityVert = 4  // vertical velocity is good
	estimatorPosVertAbs   = 32 // height above sea level is good
	estimatorPosVertAGL   = 64 // height above ground is good
)

// estimator follows what the craft's estimator says of its vertical axis. A
// message that was never heard is not held against the craft. Once it was, its
// word counts only while it goes on: an estimator that fails may well fall silent.
type estimator struct {
	heard bool
	at    time.Duration // of the last message
	// The last two times between messages: one loss makes only one of them longer.
	gap, gapBefore time.Duration
}

const (
	// estimatorGaps is how many of its own spacings an estimator may be silent.
	estimatorGaps = 5
	// estimatorMost bounds that: controllers send this message down to once in
	// 2 s (from memory).
	estimatorMost = 10 * time.Second
)

// look returns why height and climb cannot be trusted at the instant at, NoCause
// if they can.
func (e *estimator) look(at time.Duration, t *limits.Table) rules.Cause {
	r := t[rules.EstimatorFlags]
	if r.Quality == rules.Missing && (r.Cause == rules.NoCause || r.Cause == rules.NeverHeard) {
		return rules.NoCause
	}
	if !e.heard || r.At != e.at {
		if e.heard {
			e.gap, e.gapBefore = min(r.At-e.at, estimatorMost), e.gap
		}
		e.heard, e.at = true, r.At
	}
	bits := uint32(0) // of what cannot be read
	if r.Quality != rules.Missing && r.Value >= 0 && r.Value <= 65535 {
		bits = uint32(r.Value)
	}
	switch {
	case bits&estimatorVelocityVert == 0, bits&(estimatorPosVertAbs|estimatorPosVertAGL) == 0:
		return rules.Unhealthy
	case at-r.At > e.keeps():
		return rules.HealthUnknown
	}
	return rules.NoCause
}

// keeps returns for how long a word of the estimator counts.
func (e *estimator) keeps() time.Duration {
	return min(max(estimatorGaps*max(e.gap, e.gapBefore), rules.EstimatorFlags.Stale()), estimatorMost)
}
