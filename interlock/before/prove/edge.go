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
	if why := t.p.outOfReach(t.rule); why != "" {
		return why, false
	}
	d, _ := t.p.driveOf(t.rule.Watch)
	t.d = d
	if d.id == rules.Apex && t.rule.Lasting > 0 {
		d.settled(t.p)
		t.trips = true
	}
	t.trips = t.trips || t.rate && t.rule.Lasting > 0
	t.period = t.p.period(d.moves)
	if t.rule.Watch == rules.TensionRate {
		t.over = max(tensionSpan, t.period)
	}
	switch {
	case d.id == rules.PackResistance && hard(t.p.usualVolts(), math.Abs(t.limit)) < hardLeast:
		return "so high a resistance would take more of the pack's voltage than it has to show it", false
	case d.id == rules.PackResistance && t.limit < 8*gentleOhms:
		return "so low a resistance is lost in the steps of the voltage", false
	case d.id == rules.Apex && t.rule.Lasting > 0 && t.rule.Lasting <= t.period*3/2:
		return fmt.Sprintf("the prediction grows until the next sample, %s later, and lasting is hardly longer: when it trips hangs on the moment (leave lasting out)", ms(t.period)), false
	case d.id == rules.Peak10 && t.way < 0, d.id == rules.Lull10 && t.way > 0:
		return "what was blown stays in it for ten minutes: on that side it acts too late for any budget", false
	case d.id == rules.Sway && t.way < 0:
		d.settle = d.forget // what was swayed stays until its span is over
	case !t.rate && t.light() > time.Second:
		return fmt.Sprintf("so light a wind gives a pulse every %s: what it is shows only with the next one", ms(t.light().Round(10*time.Millisecond))), false
	}
	t.near = t.b.air.clone()
	if d.id == rules.SlantRange && (t.rate || t.way < 0) {
		t.p.low(t.near, pick(t.rate, 1, 0.3*math.Abs(t.limit)))
	}
	switch slow := d.jump < math.Inf(1); {
	case t.rate:
		if why := t.makeRoom(slow); why != "" {
			return why, false
		}
	case slow && !t.rate && !t.plain:
		t.d.set(&t.near.sc, t.limit-t.way*t.inward())
	}
	if t.rate && d.step(t.from(t.near))/t.over.Seconds() > 0.1*math.Abs(t.limit) {
		return "one step of its field within the span is more than a tenth of the limit: such a rate comes and goes in jumps", false
	}
	if d.jump < math.Inf(1) {
		t.near.rest()
		t.near.run(2500 * time.Millisecond)
	} else if t.rate {
		t.near.run(t.d.settle + t.over + t.rule.StaleAfter) // what was set is no change of the day
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

// makeRoom brings the value to where it can move at the limit's rate for as long as it
// takes; the reason if it cannot.
func (t *trial) makeRoom(slow bool) string {
	// Room to move for as long as it takes; a height falls to no lower than
	// the ground.
	low, high := t.span()
	if slow {
		low = 1
	}
	room, from := 1.5*math.Abs(t.limit)*t.hold().Seconds(), t.from(t.near)
	if t.rule.Lasting > 0 {
		// Chatter takes more, if there is so much.
		for _, times := range [...]float64{3.4, 2.3} {
			if more := times * math.Abs(t.limit) * t.onceAround().Seconds(); more < high-low {
				room = math.Max(room, more)
				break
			}
		}
	}
	switch {
	case high-low < room:
		return fmt.Sprintf("to change so fast for %s it would have to leave what can be read", ms(t.hold()))
	case t.way > 0 && from+room > high:
		t.d.set(&t.near.sc, high-room)
	case t.way < 0 && from-room < low:
		t.d.set(&t.near.sc, low+room)
	}
	return ""
}

// inward is how far inside its limit a slow channel stands before an excursion.
func (t *trial) inward() float64 { return math.Min(0.3*t.d.jump+t.rule.Deadband, 0.9*t.d.jump) }

// light is the time between two pulses of the anemometer at the limit; 0 where
// no wind is watched.
func (t *trial) light() time.Duration {
	c := &t.p.setup.Intake.Anemometer
	if v := t.limit - c.Offset; c.Fitted && v > 0 && len(t.d.moves) == 1 && t.d.moves[0] == rules.WindSpeed {
		return time.Duration(c.Slope / v * 1e9)
	}
	return 0
}

// low brings the craft to a height over the anchor from which the range can be
// moved along the ground.
func (p *plan) low(r *rig, height float64) {
	cfg := &p.cfg
	for _, h := range cfg.HeightSources {
		r.sc.put(h, cfg.AnchorHeight+height)
	}
	r.rest()
	r.run(time.Second)
}

// still reports whether a channel tells the same for as long as nothing happens, as
// counts, codes, clocks of the day and a home do.
func still(id rules.ChannelID) bool {
	c := id.Channel()
	switch id {
	case rules.CraftUTC, rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude:
		return true
	}
	return c.Kind == rules.Number && (id < rules.Told1 || id > rules.Told8)
}

// outOfReach returns why nothing that can be sent drives a rule, whatever the core
// and the other rules; empty if something does.
func (p *plan) outOfReach(r *rules.Rule) string {
	d, why := p.driveOf(r.Watch)
	rate := r.Form == rules.RisingFaster || r.Form == rules.FallingFaster
	switch {
	case r.Watch == rules.LinkAge && rate:
		return "silence has one pace: its age rises by a second a second, and falls to nothing with a frame"
	case (r.Form == rules.Is || r.Form == rules.IsNot) && r.FrozenAfter > 0:
		return "what is watched for freezing moves its last digit, and then it is another number"
	case r.FrozenAfter > 0 && r.Watch == rules.MotorHeadroom:
		return "it is watched for freezing, and falls when what it is worked out from rises: its last digit is not followed here"
	case r.FrozenAfter > r.Watch.Channel().FrozenAfter && still(r.Watch):
		return "it is watched for freezing, and stands still on any calm day"
	case d == nil || !rate:
		return why
	case r.Watch == rules.Apex:
		return "the prediction grows until the next sample and falls back with it: its rate is that of a saw, whatever the craft does"
	case r.Watch == rules.Gust || r.Watch == rules.RotorGust || r.Watch == rules.Mean2 || r.Watch == rules.Mean10:
		return ""
	case d.average || r.Watch == rules.LinkLag:
		return "the value is worked out over a span of its own, and nothing that can be sent gives it a steady rate"
	}
	return ""
}

// probe tries the value x for as long as it takes to be read, and says whether
// the core read it as past the limit, and what it read.
func (t *trial) probe(x float64) (v float64, past bool) {
	r := t.fresh(t.near)
	t.inside(r, x)
	span := t.d.settle + t.over + 3*t.period
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
		// The steps grow with the value, which ends well off where it began.
		from := t.from(t.near)
		t.q = math.Max(step(from), step(from+t.limit*t.hold().Seconds())) / t.over.Seconds()
	}
	at := func(k int) float64 { return t.limit + t.way*float64(k)*t.q }
	in, out, ok := straddle(func(k int) bool { _, p := t.probe(at(k)); return p }, func(k int) bool { return t.rate || t.plausible(at(k)) })
	switch {
	case !ok && out <= 0:
		return fmt.Sprintf("no value inside the limit was found near it (down to %s)", t.say(at(in)))
	case !ok:
		return fmt.Sprintf("no value past the limit reached the rule (up to %s): it would act on silence only", t.say(at(out)))
	}
	t.x, t.in = at(out), at(in)
	return ""
}

// straddle finds two steps next to each other, counted from a limit outward, of
// which the one is not past it and the other is. may says how far out to go. If
// there are none it gives the furthest that it tried.
func straddle(past, may func(k int) bool) (in, out int, ok bool) {
	if past(0) {
		for in = -1; past(in); in *= 2 {
			if out = in; in < -1<<23 {
				return in, out, false
			}
		}
	} else {
		for out = 1; !past(out); out *= 2 {
			if in = out; out > 1<<23 || !may(2*out) {
				return in, out, false
			}
		}
	}
	for tries := 0; out-in > 1 && tries < 40; tries++ {
		if mid := in + (out-in)/2; past(mid) {
			out = mid
		} else {
			in = mid
		}
	}
	return in, out, true
}

// nowhere reports whether no plausible value lies past the limit.
func (t *trial) nowhere() bool {
	c := t.rule.Watch.Channel()
	return !t.plain && !t.rate && (t.way > 0 && t.limit >= c.High || t.way < 0 && t.limit <= c.Low)
}

// span is what the channel can read; a cell above 4.5 V counts as a whole pack.
func (t *trial) span() (low, high float64) {
	c := t.d.id.Channel()
	pack := c.ID >= rules.Pack1Voltage && c.ID <= rules.Pack4CellSpread
	switch {
	case c.ID == rules.SlantRange && t.near != nil:
		// Along the ground it comes no nearer than the height.
		return 1.05 * math.Abs(t.near.sc.v[t.p.cfg.HeightSources[0]]-t.p.cfg.AnchorHeight), c.High
	case pack && (c.ID-rules.Pack1Voltage)%eachPack == rules.Pack1LowestCell-rules.Pack1Voltage:
		return c.Low, 4.45
	case pack && (c.ID-rules.Pack1Voltage)%eachPack == rules.Pack1Current-rules.Pack1Voltage, c.ID == rules.SupplyCurrent:
		return 0, 327 // what flips its sign, or fills its field, is doubtful
	case c.ID == rules.SupplyVoltage, c.ID == rules.Pack1Voltage && t.p.setup.Intake.Fields.SupplyIsPack:
		return c.Low, 65.5 // millivolts in 16 bits
	case pack && (c.ID-rules.Pack1Voltage)%eachPack == rules.Pack1Left-rules.Pack1Voltage, c.ID == rules.SupplyLeft:
		return 0, 1
	}
	return c.Low, c.High
}

// plausible reports whether the channel could read x.
func (t *trial) plausible(x float64) bool {
	low, high := t.span()
	return x >= low && x <= high
}

// overtaken returns which other rules trip at the excursion before the rule does.
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
