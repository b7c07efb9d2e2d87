package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	// againstSpan is over how long climb is held against height, againstEvery how
	// often a height is kept for that, and againstGap the silence after which it is
	// begun anew.
	againstSpan  = 5 * time.Second
	againstEvery = 250 * time.Millisecond
	againstGap   = 2 * time.Second
	// A climb may differ from the height's change by againstLeast (m), a share of that
	// change, and what a lag between the two of againstLag (s) and one height explains;
	// and by any one step, as the height makes when home is set. Ours: an
	// estimator that lags by 1 s at 2 heights a second passes in any gust.
	againstLeast, againstShare, againstLag = 2.0, 0.25, 1.5
)

var climbs = [...]rules.ChannelID{rules.ClimbGlobal, rules.ClimbLocal, rules.ClimbHUD}

// climb is craft.climb: the one named source, missing while the estimator says
// that it is not healthy, or no longer says anything; and from when it runs against the
// height of the same message (that of GLOBAL_POSITION_INT for VFR_HUD) until the height
// has changed by 2 m and the climb with it. Senders are known that turn its sign.
//
// Assumption: what differs less than the constants above allow is gust, lag and noise.
// So a turned sign shows only once the craft has moved by some metres, after 2 to 3 s
// at 3 m/s; until then the climb told is too low. Without that height nothing is checked.
type climb struct {
	untimed
	source, height rules.ChannelID
	estimator      estimator

	at      time.Duration // of the last climb, while any mark is kept
	rates   [3]float64    // of climbs, then
	climbed [3]float64    // what they add up to
	heard   time.Duration // of the newest height
	marks   [int(againstSpan/againstEvery) + 2]climbMark
	n       int
	against rules.Cause
}

// climbMark is a height, and what each climb adds up to by then.
type climbMark struct {
	at      time.Duration
	height  float64
	climbed [3]float64
}

func newClimb(c Config) *climb {
	k := &climb{source: c.climbSource(), height: rules.HeightGlobal}
	if k.source == rules.ClimbLocal {
		k.height = rules.HeightLocal
	}
	return k
}

func (c *climb) Trigger() rules.ChannelID { return c.source }
func (c *climb) Output() rules.ChannelID  { return rules.Climb }

func (c *climb) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	ill := c.estimator.look(at, t)
	in := t[c.source]
	if in.Quality == rules.Missing {
		return missing(in.Cause), true
	}
	c.hold(at, t)
	switch {
	case ill != rules.NoCause:
		return missing(ill), true
	case c.against != rules.NoCause:
		return missing(c.against), true
	}
	return publish(in.Value, in), true
}

// hold adds the climbs up and holds them against a new height.
func (c *climb) hold(at time.Duration, t *limits.Table) {
	dt := seconds(at - c.at)
	if at-c.at > againstGap {
		c.n, dt = 0, 0
	}
	c.at = at
	for k, id := range climbs {
		rate := t.Fresh(id, at, climbFor).Value // one that is not heard does not fit
		c.climbed[k] += float64(float64(0.5*(c.rates[k]+rate)) * dt)
		c.rates[k] = rate
	}
	h := t[c.height]
	if h.Quality != rules.Good || h.At == c.heard && c.n > 0 {
		return
	}
	now := climbMark{h.At, h.Value, c.climbed}
	if c.n > 0 {
		c.judge(&now, againstLag+seconds(now.at-c.heard))
	}
	c.heard = now.at
	for c.n > 0 && now.at-c.marks[0].at > againstSpan {
		c.n = copy(c.marks[:], c.marks[1:c.n])
	}
	if c.n == 0 || now.at-c.marks[c.n-1].at >= againstEvery {
		c.marks[c.n] = now
		c.n++
	}
}

// judge compares what the height and the climbs changed by since the oldest mark.
func (c *climb) judge(now *climbMark, lag float64) {
	rose := now.height - c.marks[0].height
	moved := math.Abs(rose) >= againstLeast
	fits := rules.ClimbAgainst
	for k, id := range climbs {
		off := math.Abs(rose - (now.climbed[k] - c.marks[0].climbed[k]))
		follows := moved && off <= math.Abs(float64(0.5*rose))
		switch {
		case id != c.source && follows:
			fits = rules.GlobalFits + rules.Cause(k)
		case id != c.source:
		case follows:
			c.against = rules.NoCause
			return
		case c.against == rules.NoCause:
			spread, step := c.slack(k, now)
			if off-step <= againstLeast+math.Abs(float64(againstShare*rose))+float64(lag*spread) {
				return
			}
		}
	}
	if c.against == rules.NoCause || moved {
		c.against = fits
	}
}

// slack returns the widest difference between rates since the oldest mark, of the
// height or of a climb, whichever is more: a lag shows no more than that. And the most
// by which the two parted between two marks.
func (c *climb) slack(k int, now *climbMark) (spread, step float64) {
	var low, high [2]float64
	for i := range c.n {
		a, b := &c.marks[i], now
		if i+1 < c.n {
			b = &c.marks[i+1]
		}
		dt := seconds(b.at - a.at)
		step = math.Max(step, math.Abs(b.height-a.height-(b.climbed[k]-a.climbed[k])))
		for j, rate := range [2]float64{(b.height - a.height) / dt, (b.climbed[k] - a.climbed[k]) / dt} {
			if i == 0 {
				low[j], high[j] = rate, rate
			}
			low[j], high[j] = math.Min(low[j], rate), math.Max(high[j], rate)
		}
	}
	return math.Max(high[0]-low[0], high[1]-low[1]), step
}

func (c *climb) Clone() limits.Calculator { d := *c; return &d }
