package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Gravity is the standard acceleration of free fall, m/s² (ISO 80000-3; the
// value of ICAO Doc 7488).
const Gravity = 9.80665

// apex is the predicted top of the coast if power went off now.
//
//	h₀ = h + ε_h, v₀ = v + ε_v, T = age + reaction, A = max(0, T_max/m − g)
//	v₁ = v₀ + A·T
//	apex = max(h₀, h₀ + v₀·T + ½·A·T² + max(0, v₁)²/2g)
//
// The craft may already climb at full thrust since the sample, and goes on so
// until its rotors are done; then it coasts as a thrown body does (h = v²/2g).
// Source: uniformly accelerated motion, any physics text. Assumptions: drag
// ignored (that reads high), updraught ignored (that reads low).
//
// Age is the time since the sample of height plus the link's lag where that is
// known. If the climb is older than the height, full acceleration since then is
// added to it.
//
// Age grows with silence, so silence alone takes the apex past a limit. Due is
// the first nanosecond at which it is past the next threshold (none if that is
// more than a day off). What Tick publishes then is doubtful: it counts against a limit, and keeps nothing
// fresh. A missing height is no better than silence: it publishes missing, and
// the last prediction goes on growing.
type apex struct {
	errorHeight, errorClimb float64
	stated, reaction        time.Duration // by the pad file, and now
	surplus                 float64       // A, m/s²
	thresholds              []float64     // rising; shared, never written
	slow

	running bool
	at      time.Duration // of the height
	lag     time.Duration // of the link then
	h, v    float64       // h₀ and v₀
	due     time.Duration
}

func newApex(c Config) *apex {
	a := &apex{
		errorHeight: c.ErrorHeight, errorClimb: c.ErrorClimb, stated: c.Reaction, reaction: c.Reaction,
		surplus: math.Max(0, c.MaxAcceleration-Gravity),
		due:     rules.Never, slow: c.Slow,
	}
	for _, x := range c.ApexThresholds {
		k := len(a.thresholds)
		a.thresholds = append(a.thresholds, x)
		for ; k > 0 && a.thresholds[k-1] > x; k-- {
			a.thresholds[k] = a.thresholds[k-1]
		}
		a.thresholds[k] = x
	}
	return a
}

func (a *apex) Trigger() rules.ChannelID { return rules.Height }
func (a *apex) Output() rules.ChannelID  { return rules.Apex }

func (a *apex) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	h, v := t[rules.Height], a.fresh(t, rules.Climb, at)
	if h.Quality == rules.Missing {
		return missing(because(h)), true
	}
	if v.Quality == rules.Missing {
		return missing(because(v)), true
	}
	a.running, a.at, a.lag = true, at, 0
	a.h = h.Value + a.errorHeight
	a.v = v.Value + a.errorClimb
	if v.At < at {
		a.v += float64(a.surplus * seconds(at-v.At))
	}
	if lag := fresh(t, rules.LinkLag, at); lag.Quality != rules.Missing && lag.Value > 0 {
		// An hour is past any use, and far inside what a Duration holds.
		a.lag = time.Duration(float64(math.Min(lag.Value, 3600) * 1e9))
	}
	top := a.top(at)
	a.due = a.next(at, top)
	return publish(top, h, v), true
}

// top is the apex at the instant at.
func (a *apex) top(at time.Duration) float64 {
	return Coast(a.h, a.v, seconds(at-a.at+a.lag+a.reaction), a.surplus)
}

// Coast is the formula above: height h₀ in m and climb v₀ in m/s with their
// errors added, time T ≥ 0 in s to the end of thrust, acceleration A ≥ 0 in
// m/s² until then. It gives the top in m, never above the range of craft.apex.
func Coast(h, v, t, a float64) float64 {
	high := rules.Apex.Channel().High
	ended := v + float64(a*t)
	up := math.Max(0, ended)
	top := h + float64(v*t) + float64(float64(0.5*a)*float64(t*t)) + float64(up*up)/(2*Gravity)
	return math.Min(high, math.Max(h, top))
}

// next is the first instant after at at which the apex is past the lowest
// threshold that it has not passed with top.
func (a *apex) next(at time.Duration, top float64) time.Duration {
	for _, limit := range a.thresholds {
		if limit >= top {
			return a.crossing(at, limit)
		}
	}
	return rules.Never
}

// root solves apex(T) = limit for T in s on the branch that rises (v₁ > 0), where
//
//	½A(1 + A/g)·T² + v₀(1 + A/g)·T + h₀ + v₀²/2g − limit = 0.
//
// It is infinite where nothing rises.
func (a *apex) root(limit float64) float64 {
	grow := 1 + a.surplus/Gravity
	square := float64(float64(0.5*a.surplus) * grow)
	linear := float64(a.v * grow)
	rest := a.h + float64(a.v*a.v)/(2*Gravity) - limit
	switch {
	case square == 0 && linear <= 0:
		return math.Inf(1)
	case square == 0:
		return -rest / linear
	}
	disc := math.Sqrt(math.Max(0, float64(linear*linear)-float64(4*float64(square*rest))))
	if linear > 0 {
		return -2 * rest / (linear + disc) // the form without cancellation
	}
	return (disc - linear) / (2 * square)
}

// crossing returns the first nanosecond after at that is past the limit. It
// searches from the root on, so that neither rounding nor the rest of the sum
// can make it late.
func (a *apex) crossing(at time.Duration, limit float64) time.Duration {
	const horizon = 24 * time.Hour // silence is long dealt with by then
	root := a.root(limit)
	if !(root < seconds(horizon)) {
		return rules.Never
	}
	guess := a.at - a.lag - a.reaction + time.Duration(float64(math.Max(0, root)*1e9))
	before, after := at, max(at, guess)+1
	for step := time.Duration(16); a.top(after) <= limit; step *= 2 {
		if step > horizon {
			return rules.Never // the top of the channel's range is below the limit
		}
		before, after = after, after+step
	}
	if early := guess - 64; early > before && a.top(early) <= limit {
		before = early
	}
	for after-before > 1 {
		middle := before + (after-before)/2
		if a.top(middle) > limit {
			after = middle
		} else {
			before = middle
		}
	}
	return after
}

func (a *apex) Due() time.Duration { return a.due }

// longestReaction is the longest that a reaction can be; the pad file allows no
// longer one.
const longestReaction = time.Minute

// React has the apex count on another reaction from now on, never on a shorter one
// than the pad file states: a longer stop was seen, or it was measured. Only the
// deadline moves; the next sample, or the deadline, publishes what follows.
func (a *apex) React(at, reaction time.Duration) {
	a.reaction = max(a.stated, min(reaction, longestReaction))
	if a.running {
		// From below every threshold: one that the longer reaction is past
		// already is due at once, and not forgotten.
		a.due = a.next(at, math.Inf(-1))
	}
}

func (a *apex) Tick(at time.Duration, _ *limits.Table) (limits.Result, bool) {
	if at < a.due {
		return limits.Result{}, false
	}
	top := a.top(at)
	a.due = a.next(at, top)
	return limits.Result{Value: top, Quality: rules.Doubtful, Cause: rules.Stale}, true
}

func (a *apex) Clone() limits.Calculator { c := *a; return &c }
