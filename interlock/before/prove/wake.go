package prove

import (
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// phaseTold are the channels by which a phase begins.
var phaseTold = []rules.ChannelID{rules.CraftArmed, rules.CraftLanded}

// asleep is a live pad out of the rule's phase; the reason if it cannot be had.
func (t *trial) asleep() (*rig, string) {
	r := t.b.ground.clone()
	if r.sc.v[rules.CraftArmed] != 0 || r.sc.v[rules.CraftLanded] == 0 {
		return nil, "beside the other rules the craft cannot stand disarmed on the ground"
	}
	if t.d.jump < math.Inf(1) && !t.rate {
		t.d.set(&r.sc, t.limit-t.way*0.3*t.d.jump)
		r.rest()
	}
	r.moved = t.d.moves
	t.heed(r)
	return r, ""
}

// begins lets the rule's phase begin and have it told at once.
func (t *trial) begins(r *rig) {
	r.sc.put(rules.CraftArmed, 1)
	if t.rule.While == rules.Airborne {
		r.sc.put(rules.CraftLanded, 0)
	}
	r.tellNow(phaseTold...)
}

// phase: out of its phase the rule sleeps; it wakes as soon as its phase begins,
// or cannot be told any more.
func (t *trial) phase() {
	const name, wakes = "out of its phase", "wakes"
	if t.rule.While == rules.Always {
		return
	}
	r, why := t.asleep()
	if r == nil {
		t.skip(name, why)
		return
	}
	x := t.x
	if more := x + t.way*4*t.q; !t.plain && !t.rate && t.plausible(more) {
		x = more // on the ground the steps of its fields may lie elsewhere
	}
	if t.rate {
		// Steep enough to be past it whatever the ground made of the start, and
		// for as long as the whole case takes.
		x = 1.1 * t.limit
		low, high := t.span()
		if end := t.from(r) + 1.1*t.limit*(2*t.hold()+2*t.budget.Relay+3*time.Second).Seconds(); end < low || end > high {
			t.skip(name, "to change so fast for so long on the ground it would have to leave what can be read")
			return
		}
	}
	t.out(r, x)
	if t.rate {
		r.run(t.hold())
	} else {
		r.run(t.hold() + t.budget.Relay)
	}
	v, ok := t.furthest(r)
	fault := ""
	word := map[rules.Phase]string{rules.Armed: "disarmed", rules.Airborne: "on the ground"}[t.rule.While]
	if f := t.verdict(r.log, interlock.NoReason); f != nil {
		fault = "acted while the craft was " + word
	} else if !ok || !t.left(v) {
		fault = "the excursion never reached the rule"
	}
	t.add(name, fault, "past it while %s: nothing happens", word)
	if slices.Contains(phaseTold, t.rule.Watch) {
		return
	}
	awake := r.clone()
	awake.heed(rules.NoChannel, -1)
	from := awake.now
	t.begins(awake)
	awake.run(t.budget.Relay + 20*time.Millisecond)
	took := time.Duration(0)
	fault = ""
	switch f := t.verdict(awake.log, interlock.ReasonRule); {
	case f == nil:
		fault = fmt.Sprintf("its phase began with the value past the limit, and within %s it did not act", ms(awake.now-from))
	case f.At-from > t.budget.Relay:
		fault = fmt.Sprintf("its phase began with the value past the limit; it acted after %s, and may take %s", ms(f.At-from), ms(t.budget.Relay))
	default:
		took = f.At - from
	}
	t.add(wakes, fault, "its phase begins with the value past the limit: acts after %s", ms(took))
	t.wakesBlind()
	for _, k := range t.p.sourcesOf(phaseTold) {
		r.mute[k] = true
	}
	r.run(max(t.p.cfg.Stale(rules.CraftArmed), t.p.cfg.Stale(rules.CraftLanded)) + t.hold())
	fault = ""
	if t.verdict(r.log, interlock.ReasonRule) == nil {
		fault = "nobody knew any more whether it was armed or landed, and the rule did not act"
	}
	t.add("phase unknown", fault, "counts as in its phase")
}

// wakesBlind: what the rule watches fell silent out of its phase.
func (t *trial) wakesBlind() {
	const name = "wakes blind"
	told := t.p.sourcesOf(phaseTold)
	r, _ := t.asleep()
	for _, k := range t.p.sourcesOf(t.needs()) {
		if slices.Contains(told, k) {
			t.moot(name, "the same message says whether it is armed or landed")
			return
		}
		r.mute[k] = true
	}
	r.run(t.rule.StaleAfter + 3*t.period + 20*time.Millisecond)
	fault := ""
	if t.verdict(r.log, interlock.ReasonRuleMissing) != nil {
		fault = "silence acted out of its phase"
	}
	from := r.now
	t.begins(r)
	r.run(20 * time.Millisecond)
	if f := t.verdict(r.log, interlock.ReasonRuleMissing); fault == "" && (f == nil || f.At != from) && t.verdict(r.log, interlock.ReasonRule) == nil {
		fault = "its phase began while nothing was heard of the value, and it did not act at once"
	}
	t.add(name, fault, "its phase begins while nothing is heard of the value: acts at once")
}
