package prove

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// delays reports whether a case about the on-delay can be tried: that there is one, of
// at least so long, on a value that one sample makes. Otherwise the case is
// listed with the reason; atOnce is that of a rule without.
func (t *trial) delays(name string, least time.Duration, atOnce string) bool {
	switch {
	case t.rule.Lasting == 0:
		t.moot(name, atOnce)
	case t.d.average:
		t.moot(name, average)
	case t.d.pulses:
		t.skip(name, pulses)
	case t.rule.Lasting < least:
		t.skip(name, "lasting is shorter than the clock of the messages can tell")
	default:
		return true
	}
	return false
}

// inTime: back inside before lasting ends, so that nothing comes of it.
func (t *trial) inTime() {
	const name = "back in time"
	if !t.delays(name, 4*time.Millisecond, "the rule acts at once: there is no lasting to be back before") {
		return
	}
	r := t.fresh(t.near)
	t.out(r, t.x)
	t.tell(r)
	away := (t.rule.Lasting * 9 / 10).Truncate(time.Millisecond)
	r.run(away)
	t.back(r)
	t.tell(r)
	r.run(t.hold())
	t.quietly(name, r, "past it for %s of %s: no trip", ms(away), ms(t.rule.Lasting))
}

// quietly adds a case in which the rule must not have tripped.
func (t *trial) quietly(name string, r *rig, format string, args ...any) {
	v, ok := t.furthest(r)
	t.unmoved(name, r, ok && t.left(v), format, args...)
}

// unmoved is quietly, for an excursion of which it is known whether it reached
// the rule.
func (t *trial) unmoved(name string, r *rig, reached bool, format string, args ...any) {
	fault := ""
	if f := t.verdict(r.log, interlock.ReasonRule); f != nil {
		fault = fmt.Sprintf("tripped (%s)", t.say(f.Value))
	} else if !reached {
		fault = "the excursion never reached the rule"
	}
	t.add(name, fault, format, args...)
}

// chatter: past the limit and fully back, again and again.
func (t *trial) chatter() {
	const name = "chatter"
	if !t.delays(name, 10*time.Millisecond, "the rule acts at once: the first excursion trips") {
		return
	}
	r := t.fresh(t.near)
	for range 10 {
		t.out(r, t.x)
		t.tell(r)
		r.run((t.rule.Lasting * 6 / 10).Truncate(time.Millisecond))
		t.back(r)
		if x := t.limit - t.way*(t.rule.Deadband+3*t.q); !t.plain && t.rule.Side(x) < rules.InDeadband && t.plausible(x) {
			t.inside(r, x)
		}
		t.tell(r)
		r.run(max(2*time.Millisecond, (t.rule.Lasting * 6 / 10).Truncate(time.Millisecond)))
	}
	t.quietly(name, r, "ten times past it and back by the deadband, %s each: no trip", ms(t.rule.Lasting*6/10))
}

// dither: a value that only comes back into the deadband neither stops the
// on-delay nor ends the violation; one that is fully back ends it, and the
// latch stays.
func (t *trial) dither() {
	const name, clear = "dither in the deadband", "fully back"
	within := t.limit - t.way*0.6*t.rule.Deadband
	fine := !t.plain && t.rule.Deadband > 4*t.q
	if !fine {
		t.moot(name, "there is no deadband that the field could tell")
	}
	if fine && t.rule.Lasting >= 4*time.Millisecond && !t.d.average && !t.d.pulses {
		r := t.fresh(t.near)
		t.out(r, t.x)
		t.tell(r)
		from := r.now
		r.run((t.rule.Lasting / 2).Truncate(time.Millisecond))
		t.inside(r, within)
		t.tell(r)
		r.run(t.hold())
		fault := ""
		switch f := t.verdict(r.log, interlock.ReasonRule); {
		case f == nil:
			fault = fmt.Sprintf("no trip: %s, in the deadband, stopped the delay", t.say(within))
		case t.rule.Watch == rules.LinkLag && f.At <= from+t.rule.Lasting+5*t.period: // each message has a delay of its own
		case f.At > from+t.rule.Lasting && !(t.trips && f.At <= from+t.rule.Lasting+t.period):
			fault = fmt.Sprintf("tripped only %s after the excursion, not after %s", ms(f.At-from), ms(t.rule.Lasting))
		}
		t.add(name, fault, "%s does not stop the delay", t.say(within))
	}
	if t.d.forget > time.Minute {
		t.skip(clear, "the value stays in the average for longer than a minute")
		return
	}
	r := t.fresh(t.near)
	t.out(r, t.x)
	r.run(t.hold() + t.budget.Relay)
	cleared := func() bool {
		return find(r.log, interlock.ClearEffect, func(e *event) bool { return e.Rule == t.i && e.Reason == interlock.ReasonRule }) != nil
	}
	if fine {
		t.inside(r, within)
		r.run(t.d.settle + t.d.forget + 4*t.period)
		r.read = false
		r.run(4 * t.period)
		fault := ""
		if cleared() {
			fault = fmt.Sprintf("%s, in the deadband, ended the violation", t.say(within))
		}
		if r.read && (t.rule.Side(r.lo) != rules.InDeadband || t.rule.Side(r.hi) != rules.InDeadband) {
			t.skip("held in the deadband", "between two samples the value moves by more than the deadband")
		} else {
			t.add("held in the deadband", fault, "%s does not end the violation", t.say(within))
		}
	}
	t.back(r)
	r.run(t.d.settle + t.d.forget + 4*t.period)
	t.latched(clear, r, cleared())
}

// latched: the violation is over, and nothing comes on again by itself.
func (t *trial) latched(name string, r *rig, cleared bool) {
	fault := ""
	switch s := r.state(); {
	case !cleared:
		fault = "fully back inside, and the violation still stands"
	case s == interlock.Live || s == interlock.Ready || s == interlock.Closing:
		fault = fmt.Sprintf("the latch let go by itself: it is %v", s)
	case t.rule.Stop == rules.Immediate && r.relay:
		fault = "the relay closed again by itself"
	}
	t.add(name, fault, "the violation is over, and the latch stays")
}

// step: a jump well past the limit.
func (t *trial) step() {
	if t.plain {
		return
	}
	size := math.Max(0.1*math.Abs(t.limit), 20*t.q)
	if t.d.jump < math.Inf(1) { // no farther in all than such a channel jumps
		size = math.Min(size, math.Min(0.3*t.d.jump, 0.99*t.d.jump-t.inward()))
	}
	x := t.limit + t.way*size
	if !t.plausible(x) {
		x = t.x
	}
	r := t.fresh(t.near)
	from := r.now
	t.out(r, x)
	r.run(t.hold() + t.budget.Relay)
	fault := ""
	f := t.verdict(r.log, interlock.ReasonRule)
	switch {
	case f == nil:
		t.add("step", fmt.Sprintf("no trip at a step to %s", t.say(x)), "")
		return
	case f.At-from > t.budget.Relay:
		fault = fmt.Sprintf("a step to %s took %s, and may take %s", t.say(x), ms(f.At-from), ms(t.budget.Relay))
	}
	t.add("step", fault, "to %s: %s", rules.Format(x, t.rule.Unit), ms(f.At-from))
}

// ramp: slowly past the limit; the record says where it was found.
func (t *trial) ramp() {
	const name = "slow ramp"
	if t.d.settle > 15*time.Second || t.rule.Watch == rules.PackResistance || t.rule.Watch == rules.LinkLag || t.rule.Watch == rules.LinkLoss || t.rule.Watch == rules.Sway {
		t.skip(name, "a slow change is not told apart from the span it is worked out over")
		return
	}
	span := 20 * t.period
	start := t.limit - t.way*math.Max(t.rule.Deadband, 20*t.q)
	if !t.plausible(start) || t.rule.Side(start) >= rules.Beyond {
		// The channel is too coarse, or the limits too near, for that much room.
		if v, ok := t.p.valueIn(&t.near.sc, t.d); ok {
			start = v
		}
	}
	if t.d.jump < math.Inf(1) {
		span = max(span, time.Duration(math.Abs(t.limit-start)/heightPace*2e9))
	}
	r := t.fresh(t.near)
	rate := t.way * math.Max(math.Abs(t.limit-start), 5*t.q) / span.Seconds()
	r.outward = t.way
	t.d.set(&r.sc, start)
	r.run(t.d.settle + 4*t.period)
	from := r.now
	r.sc.ramp, r.sc.rampFrom, r.sc.rampRate, r.sc.rampAt = t.d, start, rate, r.now
	crossing := from + time.Duration(math.Abs((t.limit-start)/rate)*1e9)
	r.until(crossing + time.Duration(2*math.Abs(t.q/rate)*1e9) + t.hold() + t.budget.Relay)
	f := t.verdict(r.log, interlock.ReasonRule)
	fault := ""
	switch {
	case f == nil:
		t.add(name, "no trip at a slow ramp through the limit", "")
		return
	case f.At < crossing-4*t.period-time.Duration(4*math.Abs(t.q/rate)*1e9) && t.d.jump == math.Inf(1):
		fault = fmt.Sprintf("tripped %s before the ramp reached the limit", ms(crossing-f.At))
	case f.At-crossing > t.budget.Relay+time.Duration(2*math.Abs(t.q/rate)*1e9):
		fault = fmt.Sprintf("tripped %s after the ramp passed the limit, and may take %s", ms(f.At-crossing), ms(t.budget.Relay))
	}
	t.add(name, fault, "found at %s", rules.Format(f.Value, t.rule.Unit))
}

// tell has the drive's sources tell of the scene at once.
func (t *trial) tell(r *rig) {
	r.pass(r.now)
	for _, i := range t.p.sourcesOf(t.d.moves) {
		if t.p.sources[i].kind == windPulses {
			continue // pulses come when they come
		}
		r.send(i)
	}
}
