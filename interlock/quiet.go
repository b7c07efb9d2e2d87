package interlock

import (
	"time"

	"downhaul/rules"
)

// Nearly every value of a day changes nothing but the last value of its channel.
// What stands here takes such values, and nothing else, by one look each. What
// it takes is what Step would have made of it, to the last bit.

// steadies says whether the sample that was just taken leaves its channel steady.
// A deadline of its freshness is then never later than the next sample's would
// be: only channelStale moves it on, and ends this.
func (e *Engine) steadies(c *channelRun) bool {
	if c.made || e.table[c.id].Quality != rules.Good {
		return false
	}
	if c.id == rules.CraftBootClock {
		return c.plain && !c.used && e.bootKnown
	}
	return c.only && c.streak != rules.Never && !c.missed
}

// unmoved says that a good value v of a steady channel moves nothing for any rule,
// nor for the watch on a frozen one.
func (c *channelRun) unmoved(v float64) bool {
	return c.steady && v >= c.quietLow && v <= c.quietHigh && (c.frozenAfter == 0 || v != c.last)
}

// keep takes the last value of a steady channel.
func (e *Engine) keep(at time.Duration, c *channelRun, v float64) {
	c.good, c.calm, c.calmed = at, v, true
	r := &e.table[c.id]
	r.At, r.Value = at, v
}

// Alive takes the sign of life that a frame of the craft is, if all it does is to
// put off the instant at which the link counts as lost; else it does nothing, and
// the frame is for StepAll.
func (e *Engine) Alive(at time.Duration) bool {
	if !e.started || at < e.now || at >= e.next || !e.linkUp || e.channels[rules.LinkAge].used {
		return false
	}
	e.now = at
	e.arm(timerLink, at+e.site.LinkStale)
	return true
}

// Quiet takes good values of these channels, in their order, as far as they
// change nothing but last values, and says how many. There is no effect of these,
// and the others are for StepAll.
//
// Values are finite and plausible (see rules.ChannelID.Plausible) and not −0, as
// the field table gives them.
func (e *Engine) Quiet(at time.Duration, ids []rules.ChannelID, values []float64) int {
	if !e.started || at < e.now || at >= e.next {
		return 0
	}
	e.now = at
	values = values[:len(ids)]
	for i, id := range ids {
		c, v := &e.channels[id], values[i]
		if id == rules.CraftBootClock {
			if !c.steady || v < e.maxBoot-restartBack {
				return i
			}
			e.maxBoot = max(e.maxBoot, v)
			r := &e.table[id]
			c.good, r.At, r.Value = at, at, v
			continue
		}
		if !c.unmoved(v) {
			return i
		}
		e.keep(at, c, v)
		if c.calcTo > 0 && !e.postpone(at, c) {
			return i // c.last is as it was: the value may be given again
		}
		c.last, c.same = v, 1
	}
	return len(ids)
}
