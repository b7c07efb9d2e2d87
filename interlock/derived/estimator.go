package derived

import (
	"time"

	"downhaul/rules"
)

// Bits of ESTIMATOR_STATUS_FLAGS (MAVLink common message set).
const (
	estimatorVelocityVert = 4  // vertical velocity is good
	estimatorPosVertAbs   = 32 // height above sea level is good
	estimatorPosVertAGL   = 64 // height above ground is good
)

// estimator follows what the craft's estimator says of its vertical axis.
// Silence changes nothing: a message that was never heard is not held against
// the craft, and one that stops leaves the last word standing.
type estimator struct{ unhealthy bool }

func (e *estimator) look(t *Table) {
	r := t[rules.EstimatorFlags]
	if r.Quality == rules.Missing {
		switch r.Cause {
		case rules.NoCause, rules.NeverHeard, rules.Stale:
		default:
			e.unhealthy = true
		}
		return
	}
	if !(r.Value >= 0 && r.Value <= 65535) {
		e.unhealthy = true
		return
	}
	bits := uint32(r.Value)
	e.unhealthy = bits&estimatorVelocityVert == 0 || bits&(estimatorPosVertAbs|estimatorPosVertAGL) == 0
}

// climb is craft.climb: the one named source, missing while the estimator says
// that it is not healthy.
type climb struct {
	untimed
	source    rules.ChannelID
	estimator estimator
}

func (c *climb) Trigger() rules.ChannelID { return c.source }
func (c *climb) Output() rules.ChannelID  { return rules.Climb }

func (c *climb) Sample(_ time.Duration, t *Table) (Result, bool) {
	c.estimator.look(t)
	in := t[c.source]
	switch {
	case in.Quality == rules.Missing:
		return missing(in.Cause), true
	case c.estimator.unhealthy:
		return missing(rules.Unhealthy), true
	}
	return publish(in.Value, in), true
}

func (c *climb) Clone() Calculator { d := *c; return &d }

func (c *climb) AppendState(dst []byte, _ time.Duration) []byte {
	return appendFlag(dst, c.estimator.unhealthy)
}
