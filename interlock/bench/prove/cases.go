package prove

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// all tries everything on one side of a rule.
func (t *trial) all() {
	t.within()
	t.beyond()
	switch {
	case t.rule.Stop == rules.NoStop:
		t.moot("in time, chatter, dither, step", "it only warns, at once, and latches nothing")
	case t.rate:
		t.rates()
	default:
		t.inTime()
		t.chatter()
		t.dither()
		t.spike()
		t.step()
	}
	if !t.plain && !t.rate {
		t.ramp()
	}
	t.silence()
	t.frozen()
	t.unknown()
	t.wrongSender()
	t.forged()
	t.lateData()
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

// as says that what was read is what was sent, by the steps of the field.
func (t *trial) as(read, sent float64) bool {
	slack := 3*t.q + 1e-6*math.Abs(sent)
	switch t.rule.Watch {
	case rules.Apex:
		// It grows until the next sample; the edge itself must lie at the limit.
		// Where it must last, what a sample tells lies in the deadband or past it.
		if t.trips {
			return math.Abs(sent-t.limit) <= slack+t.rule.Deadband
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
	tenth := t.rate || t.rule.Watch == rules.PackToFloor
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
	lower := find(r.log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Lowering && e.call == f.call })
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
		if log[i].Kind == kind && is(&log[i]) {
			return &log[i]
		}
	}
	return nil
}

const pulses = "pulses tell of a change when they come, not to the millisecond"

const average = "worked out over a span of time: what one sample says is not the value"

// delays says that a case about the on-delay can be tried: that there is one, of
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
	fault := ""
	v, ok := t.furthest(r)
	if f := t.verdict(r.log, interlock.ReasonRule); f != nil {
		fault = fmt.Sprintf("tripped (%s)", t.say(f.Value))
	} else if !ok || !t.left(v) {
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
	within := t.limit - t.way*0.75*t.rule.Deadband
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
		return find(r.log, interlock.ClearEffect, func(e *event) bool { return e.Rule == t.i }) != nil
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

// spike: one single sample past the limit.
func (t *trial) spike() {
	const name = "one sample"
	if t.d.own && t.d.average || t.d.average && t.rule.Watch != rules.Gust {
		if t.rule.Watch != rules.Gust {
			t.moot(name, average)
			return
		}
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

// step: a jump well past the limit.
func (t *trial) step() {
	if t.plain {
		return
	}
	size := math.Min(math.Max(0.1*math.Abs(t.limit), 20*t.q), 0.3*t.d.jump)
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
