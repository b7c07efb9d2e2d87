package prove

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

const pulses = "pulses tell of a change when they come, not to the millisecond"

const average = "worked out over a span of time: what one sample says is not the value"

// spike: one single sample past the limit.
func (t *trial) spike() {
	const name = "one sample"
	if t.d.average && t.rule.Watch != rules.Gust && t.rule.Watch != rules.RotorGust {
		t.moot(name, average)
		return
	}
	if t.d.pulses {
		t.skip(name, pulses)
		return
	}
	r := t.fresh(t.near)
	list := t.p.sourcesOf(t.d.moves)
	if len(list) == 0 {
		t.moot(name, "nothing tells of it by itself")
		return
	}
	t.out(r, t.x)
	r.until(r.due[list[len(list)-1]] + time.Millisecond)
	t.back(r)
	r.run(t.hold())
	if t.d.average {
		fault := ""
		if f := t.verdict(r.log, interlock.ReasonRule); f != nil {
			fault = fmt.Sprintf("one sample moved the average past the limit (%s)", t.say(f.Value))
		}
		t.add(name, fault, "%s for one sample does not move the average past the limit", t.say(t.x))
		return
	}
	t.single(name, r)
}

// single judges what one sample past the limit did.
func (t *trial) single(name string, r *rig) {
	f := t.verdict(r.log, interlock.ReasonRule)
	must := t.rule.Lasting <= t.period
	fault, says := "", "lasting is longer than one sample: no trip"
	switch {
	case must && f == nil:
		fault = fmt.Sprintf("no trip, though the value stood for %s and lasting is %s", ms(t.period), ms(t.rule.Lasting))
	case !must && f != nil:
		fault = fmt.Sprintf("tripped at one sample of %s, though lasting is %s", ms(t.period), ms(t.rule.Lasting))
	case must:
		says = "stands until the next sample, as long as lasting: trips"
	}
	t.add(name, fault, "%s", says)
}

// slackOfRate is how far off the limit the steps of the field may put the edge.
func (t *trial) slackOfRate() float64 {
	share := 0.005
	if t.d.average {
		share = 0.03
	}
	if t.d.pulses || len(t.p.sourcesOf(t.d.moves)) > 1 {
		// Told in bunches: a span holds a sample more or less.
		share += t.period.Seconds() / t.over.Seconds()
	}
	return 4*t.q + share*math.Abs(t.limit)
}

// onceAround is how long the value moves for one excursion.
func (t *trial) onceAround() time.Duration {
	return t.over + t.over/4 + t.d.settle + 8*t.period + t.rule.Lasting
}

func (t *trial) rateSpike() {
	const name = "one sample"
	switch {
	case t.d.jump < math.Inf(1):
		t.moot(name, "what jumps is no height, and no rate of one")
		return
	case t.d.average:
		t.moot(name, average)
		return
	case t.d.pulses:
		t.skip(name, pulses)
		return
	}
	by := 2 * t.limit * t.over.Seconds()
	low, high := t.span()
	at := t.from(t.near)
	if at+by < low || at+by > high {
		t.skip(name, "so far a single sample cannot jump and still be read")
		return
	}
	r := t.fresh(t.near)
	t.d.set(&r.sc, at+by)
	r.outward = 0
	list := t.p.sourcesOf(t.d.moves)
	r.until(r.due[list[len(list)-1]] + time.Millisecond)
	t.back(r)
	r.run(t.hold())
	t.single(name, r)
}
