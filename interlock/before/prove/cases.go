package prove

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// all tries what the files decide on one side of a rule.
func (t *trial) all() {
	t.within()
	t.beyond()
	switch {
	case t.rule.Stop == rules.NoStop: // it only warns, at once, and latches nothing
	case t.rate:
		t.rateSpike()
	default:
		t.spike()
	}
	t.silence()
	t.frozen()
	t.phase()
}

// within: the last value inside, held for longer than the rule takes, trips
// nothing.
func (t *trial) within() {
	r := t.fresh(t.near)
	t.inside(r, t.in)
	r.run(t.hold())
	v, ok := t.furthest(r)
	fault := ""
	switch f := t.verdict(r.log, interlock.ReasonRule); {
	case !ok:
		fault = "the value never reached the rule"
	case t.left(v) && !t.trips:
		fault = fmt.Sprintf("the core read %s, past the limit, for a value set inside it", t.say(v))
	case f != nil:
		fault = fmt.Sprintf("tripped at %s, which is not past %s", t.say(v), t.say(t.limit))
	case t.stranger(r.log) != "":
		fault = fmt.Sprintf("%q tripped, and nothing that it rests on had moved", t.stranger(r.log))
	case t.rate && t.way*(t.limit-t.in) > t.slackOfRate():
		fault = fmt.Sprintf("a rate of no more than %s is read as past %s", t.say(t.x), t.say(t.limit))
	case !t.rate && !t.plain && !t.as(v, t.in):
		fault = fmt.Sprintf("read %s where %s was sent", t.say(v), t.say(t.in))
	}
	if ok && t.rule.Watch == rules.Apex {
		v = t.in // the core tells a prediction that grows only at its thresholds
	}
	if ok {
		t.row.Held = &v
	}
	t.row.Exact = ok && v == t.limit
	t.add("inside", fault, "held at %s for %s: no trip", t.say(v), ms(t.hold()))
	if t.plain || t.rule.Stop == rules.NoStop {
		return
	}
	if t.row.Exact {
		t.add("at the limit", fault, "the limit itself is not past it")
	} else {
		t.moot("at the limit", "the limit itself lies between two steps of the field")
	}
}

// as reports whether what was read is what was sent, by the steps of the field.
func (t *trial) as(read, sent float64) bool {
	slack := 3*t.q + 1e-6*math.Abs(sent)
	switch t.rule.Watch {
	case rules.Apex:
		// It grows until the next sample; the edge itself must lie at the limit.
		// Where it must last, what a sample tells lies in the deadband or past it.
		if t.trips {
			// A short delay runs out in the growth between two samples.
			return math.Abs(sent-t.limit) <= slack+t.rule.Deadband+t.p.coast(t.period)-t.p.coast(0)
		}
		return math.Abs(sent-t.limit) <= slack && read <= t.limit
	case rules.LinkLoss:
		slack += 0.02
	case rules.PackResistance:
		slack += 0.01 * sent // the gentle steps of before are still in the fit
	}
	return math.Abs(read-sent) <= slack
}

// beyond: the first value past the limit, held, trips within the budget, with
// the right stop.
func (t *trial) beyond() {
	r := t.fresh(t.near)
	from := r.now
	t.out(r, t.x)
	if t.hold()+t.budget.Relay < 20*t.period {
		r.outward = 0 // too short to freeze: the very value, and no further
	}
	r.run(t.hold() + t.budget.Relay)
	v, ok := t.furthest(r)
	f := t.verdict(r.log, interlock.ReasonRule)
	if f == nil {
		t.add("outside", fmt.Sprintf("no trip within %s at %s, past %s", ms(r.now-from), t.say(t.x), t.say(t.limit)), "")
		return
	}
	if t.trips {
		v = t.x
	}
	if ok {
		t.row.Tripped = &v
	}
	took := f.At - from
	tenth := t.rate
	if tenth {
		took = t.tenthPast(took)
	}
	seconds := took.Seconds()
	t.row.Detect = &seconds
	fault := ""
	switch {
	case !ok || !t.left(v) && !t.trips:
		fault = fmt.Sprintf("tripped although nothing past the limit was read (%s)", t.say(v))
	case t.rate && t.way*(t.x-t.limit) > t.slackOfRate():
		fault = fmt.Sprintf("it takes a rate of %s to be read as past %s", t.say(t.x), t.say(t.limit))
	case took > t.budget.Relay:
		fault = fmt.Sprintf("took %s, and may take %s", ms(took), ms(t.budget.Relay))
	case took < t.rule.Lasting && t.rule.Stop != rules.NoStop: // a caution comes at once
		fault = fmt.Sprintf("tripped after %s, before it had lasted %s", ms(took), ms(t.rule.Lasting))
	case t.stranger(r.log[:indexOf(r.log, f)]) != "":
		fault = fmt.Sprintf("%q tripped before it, and nothing that it rests on had moved", t.stranger(r.log))
	case t.rule.Stop != rules.NoStop && f.HasValue && !t.left(f.Value):
		fault = fmt.Sprintf("the record says %s, which is not past the limit", t.say(f.Value))
	}
	t.add("outside", fault, "tripped at %s; %s %s", t.say(v), pick(tenth, "a tenth past the limit after", "after"), ms(took))
	t.stop("stop", r, f, t.rule.Stop, t.rule.Grace)
}

// tenthPast is how long a rate that lies a tenth past the limit takes: one that
// lies a step past it shows only when the span is full, and by luck.
func (t *trial) tenthPast(took time.Duration) time.Duration {
	r := t.fresh(t.near)
	from := r.now
	t.out(r, t.limit+t.way*0.1*math.Abs(t.limit))
	r.run(t.hold() + t.budget.Relay)
	if f := t.verdict(r.log, interlock.ReasonRule); f != nil {
		return f.At - from
	}
	return took
}

// stop looks at what a trip did: the relay in the very same call, or lowering
// and the relay at the end of the grace.
func (t *trial) stop(name string, r *rig, f *event, want rules.Stop, grace time.Duration) {
	if want == rules.NoStop {
		return
	}
	if f.Stop != want {
		t.add(name, fmt.Sprintf("asked for a stop %q, the rule says %q", f.Stop, want), "")
		return
	}
	if names := t.others(r.log, f); len(names) > 0 {
		t.add(name, "", "listed; here %s comes first", strings.Join(names, " and "))
		return
	}
	if want == rules.Immediate {
		relay := find(r.log, interlock.RelayEffect, func(e *event) bool { return !e.On && e.call == f.call && e.At == f.At })
		beat := find(r.log, interlock.BeatEffect, func(e *event) bool { return !e.On && e.call == f.call && e.At == f.At })
		fault := ""
		if relay == nil || beat == nil {
			fault = "relay and heartbeat did not stop in the very call of the trip"
		}
		t.add(name, fault, "relay and heartbeat stop in the same instant")
		return
	}
	lower := find(r.log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Lowering && e.At == f.At })
	if lower == nil {
		t.add(name, "a controlled stop did not begin to bring it down", "")
		return
	}
	end := f.At + grace
	if end > r.now {
		// Its cause may clear: a stop that has begun is not cancelled.
		if !t.rate && !t.d.average && t.near != nil {
			t.back(r)
		}
		r.until(end + 10*time.Millisecond)
	}
	off := find(r.log, interlock.RelayEffect, func(e *event) bool { return !e.On && e.At >= f.At })
	switch {
	case off == nil:
		t.add(name, fmt.Sprintf("power was still on when the grace of %s had ended", ms(grace)), "")
	case off.At > end:
		t.add(name, fmt.Sprintf("power went off %s after the trip, and the grace is %s", ms(off.At-f.At), ms(grace)), "")
	case off.At < end:
		t.add(name, "", "brought down; power off after %s, before the grace of %s: %v", ms(off.At-f.At), ms(grace), whyOpen(r.log))
	default:
		t.add(name, "", "brought down; power off when the grace of %s ends, though the cause was gone", ms(grace))
	}
}

// whyOpen is the reason of the move that opened the chain.
func whyOpen(log []event) interlock.Reason {
	if e := find(log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Tripped }); e != nil {
		return e.Reason
	}
	return interlock.NoReason
}

func indexOf(log []event, f *event) int {
	for i := range log {
		if &log[i] == f {
			return i
		}
	}
	return len(log)
}

func find(log []event, kind interlock.EffectKind, is func(*event) bool) *event {
	for i := range log {
		if log[i].is(kind) && is(&log[i]) {
			return &log[i]
		}
	}
	return nil
}
