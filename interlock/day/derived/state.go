package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// untimed is embedded by calculators whose output changes with samples only.
type untimed struct{}

// Due is never.
func (untimed) Due() time.Duration { return rules.Never }

// Tick publishes nothing.
func (untimed) Tick(time.Duration, *limits.Table) (limits.Result, bool) {
	return limits.Result{}, false
}

// plain is a calculator without a memory: with each reading of its trigger it works its
// value out of what was read last.
type plain struct {
	untimed
	trigger, output rules.ChannelID
	work            func(at time.Duration, t *limits.Table) limits.Result
}

func (p plain) Trigger() rules.ChannelID { return p.trigger }
func (p plain) Output() rules.ChannelID  { return p.output }

func (p plain) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	return p.work(at, t), true
}

func (p plain) Clone() limits.Calculator { return p }

// missing is the result that has no value.
func missing(c rules.Cause) limits.Result { return limits.Result{Quality: rules.Missing, Cause: c} }

// because is what a result says of an input that it misses. The causes that
// explain themselves go through; the rest would read as if they were about the
// output.
func because(r limits.Reading) rules.Cause {
	switch r.Cause {
	case rules.NotFilled, rules.Disagreement, rules.Unhealthy, rules.HomeMoved, rules.NotIdentified, rules.HealthUnknown, rules.WireCut, rules.TooSlow, rules.NoFullOutput,
		rules.ClimbAgainst, rules.GlobalFits, rules.LocalFits, rules.HUDFits:
		return r.Cause
	}
	return rules.InputMissing
}

// publish makes a result of v. The quality is the worst of its inputs', and a
// value that is no number is missing.
func publish(v float64, inputs ...limits.Reading) limits.Result {
	out := limits.Result{Value: v, Quality: rules.Good}
	for i := range inputs {
		switch inputs[i].Quality {
		case rules.Good:
		case rules.Doubtful:
			if out.Quality == rules.Good {
				out.Quality, out.Cause = rules.Doubtful, inputs[i].Cause
			}
		default:
			return missing(because(inputs[i]))
		}
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return missing(rules.NotANumber)
	}
	if v == 0 {
		out.Value = 0 // −0 has other bits
	}
	return out
}

// doubt lowers a good result to doubtful.
func doubt(r limits.Result, c rules.Cause) limits.Result {
	if r.Quality == rules.Good {
		r.Quality, r.Cause = rules.Doubtful, c
	}
	return r
}

// fresh is the last reading of id no older than the channel's own staleness.
func fresh(t *limits.Table, id rules.ChannelID, at time.Duration) limits.Reading {
	return slow(nil).fresh(t, id, at)
}

// slow is how old readings may be that come more seldom than usual: Config.Slow.
type slow map[rules.ChannelID]time.Duration

func (s slow) fresh(t *limits.Table, id rules.ChannelID, at time.Duration) limits.Reading {
	return t.Fresh(id, at, max(id.Stale(), s[id]))
}

// seconds is d in seconds.
func seconds(d time.Duration) float64 { return float64(d) / 1e9 }
