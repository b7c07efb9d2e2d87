package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	// stepLimit is the step in height, beyond what the climb explains, that
	// makes height missing (promise 14), in m.
	stepLimit = 1.0
	// stepSpan is the time in which a step may be spread: an estimator pulls
	// its height over some samples.
	stepSpan = time.Second
	// agreeFor is how long sources and checks must agree before a height is
	// believed again.
	agreeFor = 2 * time.Second
	// climbFor is how old a climb may be and still carry the step check: four
	// samples at the slowest declared rate.
	climbFor = time.Second
)

// height is craft.height: one named source, or a vote of named sources; never
// another one in silence (promise 14). It is missing
//
//   - while its source, or any source of the vote, or the climb that checks it
//     is missing;
//   - when sources of a vote are further apart than allowed, or when height
//     steps by 1 m within 1 s more or less than the integrated climb explains,
//     and then until 2 s have passed without either;
//   - when home moved (see home), unless every source measures down to the
//     ground and knows no home;
//   - while the estimator says of itself that its vertical axis is not healthy, or
//     has fallen silent.
//
// The climb is integrated by the trapezoid rule between samples of height, also
// over a gap, however long: after a gap that the climb cannot explain the
// height has to agree for 2 s first.
type height struct {
	untimed
	slow
	sources   [maxHeightSources]rules.ChannelID
	count     int
	vote      Vote
	apart     float64 // m, allowed between sources
	climb     rules.ChannelID
	overHome  bool
	estimator estimator
	home      home

	begun      bool
	at         time.Duration // of the last height that was checked
	last, rate float64       // that height and the climb with it
	drift      float64       // height less integrated climb, from where it began
	low, high  extreme       // of drift over stepSpan
	holding    bool
	agreeFrom  time.Duration // of the last disagreement, while holding
}

func newHeight(c Config) *height {
	h := &height{slow: c.Slow, count: len(c.HeightSources), vote: c.Vote, apart: c.Disagreement, climb: c.climbSource()}
	copy(h.sources[:], c.HeightSources)
	for _, s := range c.HeightSources {
		if s != rules.HeightRange && s != rules.HeightClearance {
			h.overHome = true
		}
	}
	// Heights come at 10 Hz and more where a local position is sent.
	period := rules.HeightLocal.Channel().Period
	h.low, h.high = newExtreme(stepSpan, period, true), newExtreme(stepSpan, period, false)
	return h
}

func (h *height) Trigger() rules.ChannelID { return h.sources[0] }
func (h *height) Output() rules.ChannelID  { return rules.Height }

func (h *height) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	ill := h.estimator.look(at, t)
	if h.overHome {
		h.home.look(at, t, h.slow)
	}
	value, worst, apart := h.poll(at, t)
	if worst.Quality == rules.Missing {
		if h.count > 1 {
			return missing(because(worst)), true
		}
		return missing(worst.Cause), true
	}
	if apart {
		h.holding, h.agreeFrom = true, at
	}
	rate := t.Fresh(h.climb, at, climbFor)
	if rate.Quality == rules.Missing {
		return missing(because(rate)), true
	}
	h.check(at, value, rate.Value)
	switch {
	case ill != rules.NoCause:
		return missing(ill), true
	case h.home.moved:
		return missing(rules.HomeMoved), true
	case h.holding && at-h.agreeFrom < agreeFor:
		return missing(rules.Disagreement), true
	}
	h.holding, h.agreeFrom = false, 0
	return publish(value, worst), true
}

// poll gives the voted value, the reading of the worst quality, and whether the
// sources are too far apart.
func (h *height) poll(at time.Duration, t *limits.Table) (value float64, worst limits.Reading, apart bool) {
	worst = t[h.sources[0]]
	if h.count == 1 {
		return worst.Value, worst, false
	}
	var sorted [maxHeightSources]float64
	for i, id := range h.sources[:h.count] {
		r := t[id]
		if i > 0 {
			r = h.fresh(t, id, at)
		}
		if r.Quality < worst.Quality {
			worst = r
		}
		k := i
		for ; k > 0 && sorted[k-1] > r.Value; k-- {
			sorted[k] = sorted[k-1]
		}
		sorted[k] = r.Value
	}
	lowest, highest := sorted[0], sorted[h.count-1]
	apart = highest-lowest > h.apart
	switch h.vote {
	case Highest:
		return highest, worst, apart
	case Lowest:
		return lowest, worst, apart
	}
	middle := h.count / 2
	if h.count%2 == 1 {
		return sorted[middle], worst, apart
	}
	return float64(0.5 * (sorted[middle-1] + sorted[middle])), worst, apart
}

// check compares the step in height with the integrated climb.
func (h *height) check(at time.Duration, value, rate float64) {
	if !h.begun {
		h.begun = true
		h.at, h.last, h.rate, h.drift = at, value, rate, 0
		h.low.add(at, 0)
		h.high.add(at, 0)
		return
	}
	climbed := float64(float64(0.5*(h.rate+rate)) * seconds(at-h.at))
	step := (value - h.last) - climbed
	h.at, h.last, h.rate = at, value, rate
	h.drift += step
	h.low.add(at, h.drift)
	h.high.add(at, h.drift)
	if math.Abs(step) >= stepLimit || h.high.value()-h.low.value() >= stepLimit {
		// The new level is where agreement is counted from.
		h.holding, h.agreeFrom = true, at
		h.drift = 0
		h.low.clear()
		h.high.clear()
		h.low.add(at, 0)
		h.high.add(at, 0)
	}
}

func (h *height) Clone() limits.Calculator {
	c := *h
	c.low, c.high = h.low.clone(), h.high.clone()
	return &c
}
