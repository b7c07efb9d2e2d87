package prove

import (
	"fmt"
	"maps"
	"math"
	"net/netip"
	"slices"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// What the guard's own engine and intake owe whatever the files say: no crew's file
// changes it, so a crew is not told of it. It is driven as their limits are.

// wholly is the proof of the files, and behind it what no file changes: for each rule
// in a core of its own who else may send, and all that is built in.
func wholly(t testing.TB, s Setup) (*Report, []Case) {
	t.Helper()
	r := report(t, s)
	own, err := ownCases(s)
	if err != nil {
		t.Fatal(err)
	}
	return r, own
}

func ownCases(s Setup) ([]Case, error) {
	p, err := newPlan(s)
	if err != nil {
		return nil, err
	}
	wanted := func(rule string) bool { return s.only == nil || s.only(rule) }
	var out []Case
	for i := range s.Envelope.Rules {
		if rule := &s.Envelope.Rules[i]; wanted(rule.Name) && s.Fed(rule.Watch) != rules.NotFed && p.outOfReach(rule) == "" {
			out = append(out, p.ofOthers(i)...)
		}
	}
	if !wanted("") {
		return out, nil
	}
	b, err := p.depart()
	if err != nil {
		return nil, err
	}
	q, bb, err := p.forBuiltins(b)
	if err != nil {
		return nil, err
	}
	builtin := &builtins{p: q, b: bb}
	builtin.all()
	start := &starts{p: q, b: bb}
	start.builtin()
	for _, c := range builtin.out {
		c.Name = "built-in: " + c.Name
		out = append(out, c)
	}
	for _, c := range start.out {
		c.Name = "to start: " + c.Name
		out = append(out, c)
	}
	return out, nil
}

// ofOthers tries a rule in a core of its own with whoever else may send.
func (p *plan) ofOthers(i int) (out []Case) {
	alone, b, err := p.alone(i)
	if err != nil {
		return nil // Run has the reason
	}
	rule := &alone.env.Rules[0]
	for _, s := range sidesOf(rule) {
		row := Row{}
		t := alone.trial(0, s, b)
		t.row = &row
		switch {
		case t.nowhere():
			continue
		case rule.Watch == rules.LinkAge:
			if limit := time.Duration(math.Round(t.limit * 1e9)); t.way > 0 {
				if rule.Stop != rules.NoStop {
					t.ageLasting(limit)
					t.ageBack(limit)
				}
				t.ageOfOthers(limit)
			}
		default:
			if why, _ := t.ready(); why != "" || t.edge() != "" || t.overtaken() != "" {
				continue
			}
			t.memory()
			t.unknown()
			t.wrongSender()
			t.forged()
			t.lateData()
		}
		for _, c := range row.Cases {
			c.Name = rule.Name + " " + s.name + ": " + c.Name
			out = append(out, c)
		}
	}
	return out
}

// memory tries what hangs on the values before: the delay, the deadband, the latch.
func (t *trial) memory() {
	switch {
	case t.rule.Stop == rules.NoStop:
	case t.rate:
		t.rates()
	default:
		t.inTime()
		t.chatter()
		t.dither()
		t.step()
	}
	if !t.plain && !t.rate {
		t.ramp()
	}
}

// rogue is somebody who sends beside the craft.
type rogue struct {
	scene scene
	// system is the sender's number; old is how far behind the newest its boot clock is.
	system uint8
	old    time.Duration
	// repeat has it say the craft's last frames again and again, clock and all; last is
	// when they came, by source.
	repeat   bool
	last     []time.Duration
	bootOnly bool
	only     []int // the sources that it imitates; nil for all
	from     netip.AddrPort
	link     uint8
	// forge is what is wrong with its signatures.
	forge forgery
}

// join has it send on a pad from now on.
func (g *rogue) join(r *rig) {
	for i, due := range r.due {
		g.last = append(g.last, due-r.p.sources[i].period)
	}
	g.scene.force(rules.LinkLag, g.scene.v[rules.LinkLag]+g.old.Seconds())
	r.beside = g.send
}

func (g *rogue) send(r *rig, i int) {
	s := &r.p.sources[i]
	if g.bootOnly && !s.boot || g.only != nil && !slices.Contains(g.only, i) {
		return
	}
	g.scene.pass(r.now, 0)
	told := g.scene
	if g.repeat { // half a microsecond less: the clock is cut to whole ones
		told.force(rules.LinkLag, told.v[rules.LinkLag]+(r.now-g.last[i]-time.Microsecond/2).Seconds())
	}
	c := intake.Chunk{Source: intake.Telemetry, From: r.p.from, Link: g.link,
		Bytes: r.p.encoder.frame(s.make(r, &told), g.system, r.p.setup.Intake.Craft.Component, r.seq)}
	if g.from.IsValid() {
		c.From = g.from
	}
	if d := signs(r); d != nil {
		d.forge = g.forge
		defer func() { d.forge = genuine }()
	}
	r.chunk(c)
}

// ofRadio reports whether a radio of the link tells the value, and not the craft.
func (t *trial) ofRadio() bool {
	return t.rule.Watch == rules.RadioRSSI || t.rule.Watch == rules.RadioRemoteRSSI || t.rule.Watch == rules.RadioErrors
}

// astray is a scene with the excursion in it.
func (t *trial) astray(s scene) scene {
	if t.rate {
		t.d.set(&s, t.from(t.near)+t.way*math.Abs(t.limit)*t.over.Seconds()*3)
		for _, id := range slow {
			s.v[id] = s.to[id]
		}
		return s
	}
	t.d.set(&s, t.x)
	for _, id := range slow {
		s.v[id] = s.to[id]
	}
	return s
}

// wrongSender: another system's frames are neither values nor a sign of life.
func (t *trial) wrongSender() {
	const name = "wrong sender"
	switch {
	case !t.told():
		t.moot(name, "the pad's own sensor: nobody else can send it")
		return
	case t.ofRadio():
		t.moot(name, "a radio tells of itself under a number of its own")
		return
	}
	other := t.p.setup.Intake.Craft.System%250 + 1
	r := t.fresh(t.near)
	(&rogue{scene: t.astray(r.sc), system: other}).join(r)
	r.run(t.hold())
	v, ok := t.furthest(r)
	fault := ""
	if f := t.verdict(r.log, interlock.ReasonRule); f != nil || ok && t.left(v) && !t.trips {
		fault = fmt.Sprintf("a value of system %d was taken for the craft's", other)
	}
	if fault == "" {
		fault = t.asLife(&rogue{system: other}, fmt.Sprintf("frames of system %d kept it fresh", other))
	}
	t.add(name, fault, "frames of system %d are neither values nor a sign of life", other)
}

// asLife: the craft tells nothing more, and the rogue goes on with what is
// inside.
func (t *trial) asLife(g *rogue, says string) string {
	r := t.fresh(t.b.air)
	g.scene = r.sc
	g.repeat = g.bootOnly
	g.join(r)
	for _, k := range t.p.sourcesOf(t.needs()) {
		r.mute[k] = true
	}
	r.run(t.rule.StaleAfter + 3*t.period + 20*time.Millisecond)
	if _, fault := t.gone(r); fault != "" {
		return says + ": " + fault
	}
	return ""
}

// lateData: what was overtaken, and what is said twice, is no sample.
func (t *trial) lateData() {
	const name = "late data"
	boots := true
	for _, k := range t.p.sourcesOf(t.needs()) {
		boots = boots && t.p.sources[k].boot
	}
	switch {
	case !t.told() || t.rule.Watch == rules.LinkLag || t.rule.Watch == rules.LinkLoss:
		t.moot(name, "the pad's own sensor, or counted here: nothing overtakes it")
		return
	case !boots:
		t.skip(name, "its message carries no boot clock: one that comes late cannot be told, and is believed; one that is said again is told by its number and bytes")
		return
	}
	for _, old := range [...]time.Duration{0, 300 * time.Millisecond} {
		r := t.fresh(t.near)
		(&rogue{scene: t.astray(r.sc), system: t.p.setup.Intake.Craft.System, old: old, bootOnly: true, only: t.p.sourcesOf(t.needs())}).join(r)
		r.run(t.hold())
		v, ok := t.furthest(r)
		if f := t.verdict(r.log, interlock.ReasonRule); f != nil || ok && t.left(v) && !t.trips {
			t.add(name, fmt.Sprintf("a frame whose clock lies %s back was taken for a sample", ms(old)), "")
			return
		}
	}
	fault := t.asLife(&rogue{system: t.p.setup.Intake.Craft.System, bootOnly: true, only: t.p.sourcesOf(t.needs())}, "a repeated frame kept it fresh")
	t.add(name, fault, "overtaken and repeated frames are no samples")
}

// ageOfOthers: frames that are not the craft's keep nothing young.
func (t *trial) ageOfOthers(limit time.Duration) {
	craft := t.p.setup.Intake.Craft.System
	kept := func(g rogue) bool {
		r := t.b.air.clone()
		r.heed(rules.LinkAge, -1)
		r.silent = true
		g.scene = r.sc
		g.join(r)
		r.run(limit + t.rule.Lasting + t.budget.Relay + time.Second)
		return t.decided(r) == nil
	}
	fault := ""
	if kept(rogue{system: craft%250 + 1}) {
		fault = "frames of another system kept the link young"
	}
	t.add("wrong sender", fault, "frames of another system are no sign of life")
	if signs(t.b.air) == nil {
		return
	}
	fault = ""
	for k := unsigned; k < forgeries && fault == ""; k++ {
		if kept(rogue{system: craft, forge: k}) {
			fault = "frames " + forgeryName[k] + " kept the link young"
		}
	}
	t.add("forged frames", fault, "unsigned, of another key, said again, or a minute off: no sign of life")
}

// forBuiltins gives the pads for the built-in interlocks. A rule with which the
// craft does not stand and fly as any craft does (it must never be armed, its
// rotors must turn) would keep these from being seen: they are proved in a core
// without it then.
func (p *plan) forBuiltins(b *bases) (*plan, *bases, error) {
	usual := b.air.sc.v[rules.CraftArmed] == 1 && b.air.sc.v[rules.CraftLanded] == 0 && b.ground.sc.v[rules.CraftLanded] == 1
	for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
		usual = usual && b.ground.sc.v[id] == 0
	}
	climbs := append([]rules.ChannelID{rules.Climb}, p.cfg.Needs(rules.Climb)...)
	for _, id := range climbs[1:] {
		usual = usual && b.air.sc.v[id] == 0
	}
	if usual {
		return p, b, nil
	}
	q := *p
	q.asideWhy, q.notes, q.leftOut = map[int]string{}, nil, maps.Clone(p.leftOut)
	q.without(func(i int) string {
		r := &q.env.Rules[i]
		if !slices.Contains(climbs, r.Watch) && !slices.ContainsFunc(q.cfg.Needs(r.Watch), func(id rules.ChannelID) bool { return slices.Contains(byPhase, id) }) {
			return ""
		}
		return "not as any craft"
	}, func(int) string { return "" })
	bb, err := q.begin()
	return &q, bb, err
}

// ageLasting: a frame before lasting ends, once and again and again.
func (t *trial) ageLasting(limit time.Duration) {
	const name, again = "back in time", "chatter"
	away := (t.rule.Lasting * 9 / 10).Truncate(time.Millisecond)
	switch {
	case t.rule.Lasting == 0:
		t.moot(name, "the rule acts at once: there is no lasting to be back before")
		t.moot(again, "the rule acts at once: the first excursion trips")
		return
	case t.rule.Lasting < 4*time.Millisecond:
		t.skip("in time, chatter", "lasting is shorter than the clock of the messages can tell")
		return
	case limit+away >= min(t.rule.StaleAfter, t.p.setup.Site.LinkStale):
		t.moot("in time, chatter", "so long a silence counts as no link at all")
		return
	}
	r := t.quiet(limit + away)
	r.speak(true)
	r.run(limit + t.rule.Lasting)
	t.unmoved(name, r, true, "%s past it of %s: no trip", ms(away), ms(t.rule.Lasting))
	r = t.quiet(0)
	for range 10 {
		r.until(r.frame + limit + (t.rule.Lasting * 6 / 10).Truncate(time.Millisecond))
		r.speak(false)
	}
	t.unmoved(again, r, true, "ten times past it, %s each: no trip", ms(t.rule.Lasting*6/10))
}

// ageBack: frames again end the violation, and let nothing go.
func (t *trial) ageBack(limit time.Duration) {
	r := t.quiet(limit + t.rule.Lasting + t.budget.Relay + time.Millisecond)
	r.speak(true)
	r.run(time.Second)
	t.latched("fully back", r, find(r.log, interlock.ClearEffect, func(e *event) bool { return e.Rule == t.i }) != nil)
}
