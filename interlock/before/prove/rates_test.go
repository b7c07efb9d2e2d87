package prove

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// A rate of change is worked out over a span: it comes past its limit when the
// span is nearly full, and goes back with the share of the span that stands
// still. So what is tried here begins when the core has read it past the limit,
// and not when the value began to move.

// reads is what the rule judges now.
func (t *trial) reads(r *rig) (v float64, ok bool) {
	if t.rule.Watch == rules.TensionRate {
		now := r.core.Reading(t.rule.Watch)
		return now.Value, now.Quality == rules.Good
	}
	r.core.View(&r.view)
	return r.view.Rules[t.i].Value, r.view.Rules[t.i].HasValue
}

// moves sets a rig's value off at a rate, from where it is.
func (t *trial) moves(r *rig, rate float64) {
	r.pass(r.now)
	at := t.from(r)
	if s := &r.sc; s.ramp != nil {
		at = s.rampFrom + s.rampRate*(r.now-s.rampAt).Seconds()
	}
	r.sc.ramp, r.sc.rampAt, r.sc.rampRate, r.sc.rampFrom = t.d, r.now, rate, at
	r.outward = pick(rate == 0, 1.0, 0) // what moves is not frozen
	t.climb(r, rate)
}

// shift puts what moves a little aside, at once.
func (t *trial) shift(r *rig, by float64) { r.sc.rampFrom += by }

// fine is the time from one look to the next.
func (t *trial) fine() time.Duration { return max(time.Millisecond, t.period/20) }

// untilPast lets time pass until the core reads the rate past the limit, or
// until it should have.
func (t *trial) untilPast(r *rig) bool {
	end := r.now + t.d.settle + t.over + t.over/4 + 8*t.period
	for r.now < end {
		if v, ok := t.reads(r); ok && t.left(v) {
			return true
		}
		r.run(t.fine())
	}
	return false
}

// room reports whether the value can move at the limit for so long.
func (t *trial) room(d time.Duration) bool {
	low, high := t.span()
	end := t.from(t.near) + 1.1*t.limit*d.Seconds()
	return end >= low && end <= high
}

const noRoom = "to change so fast for so long it would have to leave what can be read"

// rates are the cases of a rate of change.
func (t *trial) rates() {
	t.rateInTime()
	t.rateChatter()
	t.rateDither()
	t.rateBack()
	t.rateStep()
	t.moot("slow ramp", "a rate of change: what is held inside and outside is a slow ramp already")
}

// past2 is a rate two hundredths past the limit, and fall the time that it takes
// to come back by the deadband once the value stands still.
func (t *trial) past2() (rate float64, fall time.Duration) {
	step := math.Max(2*math.Abs(t.x-t.limit), 0.02*math.Abs(t.limit))
	share := (step + t.rule.Deadband + 2*t.q) / (math.Abs(t.limit) + step)
	return t.limit + t.way*step, t.d.settle + time.Duration(share*float64(t.over)) + 2*t.period
}

// rateDelays is delays for a rate.
func (t *trial) rateDelays(name string, atOnce string) bool {
	_, fall := t.past2()
	switch {
	case t.rule.Lasting == 0 || t.d.average || t.d.pulses:
		return t.delays(name, 0, atOnce)
	case t.rule.Lasting*8/10 <= fall:
		t.skip(name, fmt.Sprintf("the rate falls back in %s, and lasting is not longer", ms(fall)))
		return false
	}
	return true
}

func (t *trial) rateInTime() {
	const name = "back in time"
	if !t.rateDelays(name, "the rule acts at once: there is no lasting to be back before") {
		return
	}
	x, fall := t.past2()
	r := t.fresh(t.near)
	t.moves(r, x)
	reached := t.untilPast(r)
	from := r.now
	r.run(t.rule.Lasting*9/10 - fall)
	t.moves(r, 0)
	r.run(fall)
	away := r.now - from
	r.run(t.hold())
	t.unmoved(name, r, reached, "past it for up to %s of %s: no trip", ms(away), ms(t.rule.Lasting))
}

func (t *trial) rateChatter() {
	const name = "chatter"
	if !t.rateDelays(name, "the rule acts at once: the first excursion trips") {
		return
	}
	x, fall := t.past2()
	once := t.onceAround()
	times := 3
	if !t.room(3 * once) {
		times = 2
	}
	if !t.room(2 * once) {
		t.skip(name, noRoom)
		return
	}
	away := max(t.rule.Lasting*6/10-fall, t.fine())
	r := t.fresh(t.near)
	reached := true
	for range times {
		t.moves(r, x)
		reached = reached && t.untilPast(r)
		r.run(away)
		t.moves(r, 0)
		r.run(fall)
	}
	r.run(t.rule.Lasting)
	t.unmoved(name, r, reached, "%d times past it and back by the deadband, %s each: no trip", times, ms(away+fall))
}

// aside is a shift that takes a rate three tenths of the deadband past the limit
// into the deadband, and that rate.
func (t *trial) aside() (rate, by float64) {
	db := t.rule.Deadband
	return t.limit + t.way*0.3*db, -t.way * 0.6 * db * t.over.Seconds()
}

// rateDither: a rate that goes back into the deadband and out again does not
// stop the delay.
func (t *trial) rateDither() {
	const name = "dither in the deadband"
	x, by := t.aside()
	each := max(2*t.period, t.rule.Lasting/4)
	switch {
	case t.rule.Deadband <= 4*t.q:
		t.moot(name, "there is no deadband that the field could tell")
		return
	case t.rule.Lasting == 0:
		t.moot(name, "the rule acts at once: there is no delay to stop")
		return
	case t.d.average || t.d.pulses:
		t.moot(name, average)
		return
	case t.rule.Lasting < 4*t.period:
		t.skip(name, "lasting is shorter than a few samples")
		return
	case math.Abs(by) > 0.5*t.d.jump:
		t.skip(name, "so large a deadband would have the height jump, and what jumps is no height")
		return
	}
	r := t.fresh(t.near)
	t.moves(r, x)
	reached := t.untilPast(r)
	from, in, turn := r.now, false, 0
	for r.now < from+t.rule.Lasting+2*t.period && t.verdict(r.log, interlock.ReasonRule) == nil {
		t.shift(r, by)
		by, turn = -by, turn+1
		for end := r.now + each; r.now < end; {
			r.run(t.fine())
			if v, ok := t.reads(r); ok && t.rule.Side(v) == rules.InDeadband {
				in = true
			}
		}
	}
	fault := ""
	switch f := t.verdict(r.log, interlock.ReasonRule); {
	case !reached:
		fault = "the excursion never reached the rule"
	case !in:
		t.skip(name, "between two samples the rate moves by more than the deadband")
		return
	case f == nil:
		fault = "no trip: what came back into the deadband stopped the delay"
	case f.At > from+t.rule.Lasting+t.period:
		fault = fmt.Sprintf("tripped only %s after the excursion, not after %s", ms(f.At-from), ms(t.rule.Lasting))
	}
	t.add(name, fault, "%d times into the deadband and out: the delay does not stop", turn)
}

// rateBack: what comes back into the deadband does not end the violation, what
// comes back fully does, and the latch stays.
func (t *trial) rateBack() {
	const held, clear = "held in the deadband", "fully back"
	x, by := t.aside()
	fine := t.rule.Deadband > 4*t.q && math.Abs(by) <= 0.5*t.d.jump && !t.d.average && !t.d.pulses
	if !fine {
		x, _ = t.past2()
	}
	r := t.fresh(t.near)
	t.moves(r, x)
	r.run(t.hold() + t.period)
	if t.verdict(r.log, interlock.ReasonRule) == nil {
		t.add(clear, "the excursion did not trip", "")
		return
	}
	cleared := func() bool {
		return find(r.log, interlock.ClearEffect, func(e *event) bool { return e.Rule == t.i }) != nil
	}
	if fine {
		t.shift(r, by)
		r.run(t.period)
		in, out := false, false
		for end := r.now + t.over/2; r.now < end; r.run(t.fine()) {
			v, ok := t.reads(r)
			in = in || ok && t.rule.Side(v) == rules.InDeadband
			out = out || !ok || t.rule.Side(v) < rules.InDeadband
		}
		switch {
		case !in || out:
			t.skip(held, "between two samples the rate moves by more than the deadband")
		case cleared():
			t.add(held, "a rate in the deadband ended the violation", "")
		default:
			t.add(held, "", "a rate in the deadband does not end the violation")
		}
	}
	t.moves(r, 0)
	r.run(t.d.settle + t.d.forget + t.over + t.over/16 + 4*t.period)
	t.latched(clear, r, cleared())
}

// rateStep: from standing still to half as much again as the limit.
func (t *trial) rateStep() {
	const name = "step"
	x := 1.5 * t.limit
	r := t.fresh(t.near)
	from := r.now
	t.moves(r, x)
	r.run(t.hold())
	f := t.verdict(r.log, interlock.ReasonRule)
	// Two thirds of the span at that rate are the whole of it at the limit.
	due := t.d.settle + t.over*2/3 + t.over/32 + t.rule.Lasting + 3*t.period
	if t.d.average {
		due = t.budget.Relay
	}
	fault := ""
	switch {
	case f == nil:
		t.add(name, fmt.Sprintf("no trip within %s of a step to %s", ms(r.now-from), t.say(x)), "")
		return
	case f.At-from > t.budget.Relay:
		fault = fmt.Sprintf("a step to %s took %s, and may take %s", t.say(x), ms(f.At-from), ms(t.budget.Relay))
	case f.At-from > due:
		fault = fmt.Sprintf("a step to %s took %s; the value had left the limit behind after %s", t.say(x), ms(f.At-from), ms(due))
	}
	t.add(name, fault, "to %s: %s", t.say(x), ms(f.At-from))
}
