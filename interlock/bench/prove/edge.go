package prove

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// ready finds the drive and the pad from which excursions set out; the reason
// if there is none, and whether the other rules may be what is in the way.
func (t *trial) ready() (why string, mend bool) {
	d, why := t.p.driveOf(t.rule.Watch)
	if d == nil {
		return why, false
	}
	t.d = d
	if d.id == rules.Apex && t.rule.Lasting > 0 {
		d.settled(t.p)
		t.trips = true
	}
	t.period = t.p.period(d.moves)
	if t.rate && (d.average || d.id == rules.LinkLag) {
		return "the rate of a channel that is itself worked out over a span: no inverse is written for it", false
	}
	t.near = t.b.air.clone()
	switch slow := d.jump < math.Inf(1); {
	case slow && t.rate && t.way < 0:
		// High enough to fall from for as long as it takes.
		t.d.set(&t.near.sc, 1+1.5*math.Abs(t.limit)*t.hold().Seconds())
	case slow && !t.rate && !t.plain:
		room := math.Min(0.3*d.jump+t.rule.Deadband, 0.9*d.jump)
		t.d.set(&t.near.sc, t.limit-t.way*room)
	}
	if d.jump < math.Inf(1) {
		t.near.rest()
		t.near.run(2500 * time.Millisecond)
	}
	t.near.justAfter(d.moves)
	t.near.core.View(&t.near.view)
	switch v := &t.near.view.Rules[t.i]; {
	case t.near.view.State != interlock.Live:
		if names := t.others(t.near.log, nil); len(names) > 0 {
			return quoted(names) + " " + pick(len(names) == 1, "trips", "trip") + " on the way to its limit", true
		}
		return fmt.Sprintf("the craft cannot be brought near the limit and stay live (%v)", t.near.view.Why), true
	case !v.HasValue || v.Reading.Quality != rules.Good:
		return fmt.Sprintf("%v has no good value here (%s)", t.rule.Watch, v.Reading.Cause), true
	case t.rule.Side(v.Value) >= rules.InDeadband:
		return fmt.Sprintf("%v cannot be brought inside its limit beside the other rules (it reads %s)", t.rule.Watch, t.say(v.Value)), true
	case !v.InForce && t.rule.While != rules.Always:
		return "its phase cannot be brought about beside the other rules", true
	}
	return "", false
}

// probe tries the value x for as long as it takes to be read, and says whether
// the core read it as past the limit, and what it read.
func (t *trial) probe(x float64) (v float64, past bool) {
	r := t.fresh(t.near)
	t.inside(r, x)
	span := t.d.settle + t.rule.Over + 3*t.period
	if t.rate {
		span = t.hold() // a rate goes on being worked out
	}
	r.run(span)
	v, ok := t.furthest(r)
	if t.trips {
		r.run(t.hold() + t.budget.Relay - span)
		return v, t.verdict(r.log, interlock.ReasonRule) != nil
	}
	return v, ok && t.left(v)
}

// edge finds two values next to each other, as finely as the field can tell
// them apart, the one inside and the other past the limit.
func (t *trial) edge() string {
	if t.plain {
		t.x, t.in = t.limit, other(t.rule)
		if t.rule.Form == rules.IsNot {
			t.x, t.in = t.in, t.x
		}
		return ""
	}
	step := t.d.step
	t.q = step(t.limit)
	if t.rate {
		t.q = step(t.from(&t.near.sc)) / t.rule.Over.Seconds()
	}
	at := func(k int) float64 { return t.limit + t.way*float64(k)*t.q }
	tries := 0
	past := func(k int) bool { tries++; _, p := t.probe(at(k)); return p }
	in, out := 0, 0
	if past(0) {
		for in = -1; past(in); in *= 2 {
			if tries > 24 {
				return fmt.Sprintf("no value inside the limit was found near it (down to %s)", t.say(at(in)))
			}
			out = in
		}
	} else {
		for out = 1; !past(out); out *= 2 {
			if tries > 24 || !t.rate && !t.plausible(at(2*out)) {
				return fmt.Sprintf("no value past the limit reached the rule (up to %s): it would act on silence only", t.say(at(out)))
			}
			in = out
		}
	}
	for out-in > 1 && tries < 60 {
		if mid := in + (out-in)/2; past(mid) {
			out = mid
		} else {
			in = mid
		}
	}
	t.x, t.in = at(out), at(in)
	return ""
}

// nowhere says that no plausible value lies past the limit.
func (t *trial) nowhere() bool {
	c := t.rule.Watch.Channel()
	return !t.plain && !t.rate && (t.way > 0 && t.limit >= c.High || t.way < 0 && t.limit <= c.Low)
}

// plausible says that the channel could read x.
func (t *trial) plausible(x float64) bool {
	c := t.rule.Watch.Channel()
	return x >= c.Low && x <= c.High
}

// overtaken says which other rules trip at the excursion before the rule does.
func (t *trial) overtaken() string {
	r := t.fresh(t.near)
	t.out(r, t.x)
	r.run(t.hold() + t.budget.Relay)
	names := t.others(r.log, t.verdict(r.log, interlock.ReasonRule))
	if len(names) == 0 {
		return ""
	}
	return quoted(names) + " " + pick(len(names) == 1, "trips", "trip") + " first"
}
