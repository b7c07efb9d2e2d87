package prove

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// trial is the proof of one side of one rule.
type trial struct {
	p    *plan
	b    *bases
	i    int // in the core's envelope
	rule *rules.Rule
	d    *drive
	row  *Row

	way    float64 // +1 when the way out is up, −1 when it is down
	limit  float64 // past it the rule is left
	rate   bool
	over   time.Duration // the span of a rate
	plain  bool          // is, is_not: a value and not a way
	trips  bool          // past the limit is what trips: the value falls back by itself
	near   *rig          // in the air, inside, from where every excursion sets out
	period time.Duration
	budget Budget
	x, in  float64 // the excursion, and the last value inside, as they are set
	q      float64 // between the two
}

// side is one way out of a rule.
type side struct {
	name       string
	way, limit float64
}

func sidesOf(r *rules.Rule) []side {
	low, high := r.Limit, r.LimitHigh
	switch {
	case r.Stop != rules.NoStop || !r.HasCaution:
	default: // it only warns, and does so at its caution
		low, high = r.Caution, r.CautionHigh
	}
	switch r.Form {
	case rules.Above:
		return []side{{"above", 1, low}}
	case rules.Below:
		return []side{{"below", -1, low}}
	case rules.Outside:
		return []side{{"below", -1, low}, {"above", 1, high}}
	case rules.RisingFaster:
		return []side{{"rising", 1, low}}
	case rules.FallingFaster:
		return []side{{"falling", -1, -low}}
	case rules.Is:
		return []side{{"is", 1, r.Limit}}
	}
	return []side{{"is_not", 1, r.Limit}}
}

// left reports whether a value is past the limit, as the rule's word reads.
func (t *trial) left(v float64) bool {
	switch t.rule.Form {
	case rules.Is:
		return v == t.limit
	case rules.IsNot:
		return v != t.limit
	}
	return t.way*v > t.way*t.limit
}

// furthest is how far out the watched channel came.
func (t *trial) furthest(r *rig) (float64, bool) {
	if t.plain {
		if t.left(r.lo) {
			return r.lo, r.read
		}
		return r.hi, r.read
	}
	if t.way > 0 {
		return r.hi, r.read
	}
	return r.lo, r.read
}

// out sets a rig's scene to the excursion x.
func (t *trial) out(r *rig, x float64) {
	r.outward = 1
	if t.way*x < 0 {
		r.outward = -1
	}
	if t.rate {
		r.sc.ramp, r.sc.rampAt, r.sc.rampRate, r.sc.rampFrom = t.d, r.now, x, t.from(r)
		r.outward = 0 // what moves is not frozen
		t.climb(r, x)
		return
	}
	t.d.set(&r.sc, x)
}

// climb has the craft tell the climb that belongs to a height that moves.
func (t *trial) climb(r *rig, x float64) {
	cfg := &t.p.cfg
	if t.d.id == rules.SlantRange {
		return // it moves along the ground
	}
	for _, m := range t.d.moves {
		if isHeight(m) {
			for _, id := range cfg.Needs(rules.Climb) {
				r.sc.force(id, x)
			}
			return
		}
	}
}

// from is where a ramp of the watched channel starts.
func (t *trial) from(r *rig) float64 {
	if t.d.id.Channel().Derived {
		if now := r.core.Reading(t.d.id); now.Quality == rules.Good {
			return now.Value
		}
	}
	if v, ok := t.p.valueIn(&r.sc, t.d); ok {
		return v
	}
	return 0
}

// inside sets a rig to the value x with the last digit moving away from the
// limit.
func (t *trial) inside(r *rig, x float64) {
	t.out(r, x)
	r.outward = -r.outward
}

// back brings everything to where it was before.
func (t *trial) back(r *rig) {
	was := r.sc
	r.sc, r.outward = t.near.sc, 1
	if t.rule.Watch == rules.PackResistance {
		r.sc.kick, r.sc.kicks = was.kick+1, 10 // what it remembers of the pack it forgets slowly
	}
}

// fresh is a pad inside the limit just after a sample, with the rule heeded.
func (t *trial) fresh(base *rig) *rig {
	r := base.clone()
	r.justAfter(t.d.moves)
	r.moved = t.d.moves
	if t.rate && t.d.id == rules.Tilt {
		r.moved = []rules.ChannelID{rules.Roll} // the pitch stands, and its last digit moves
	}
	t.heed(r)
	return r
}

// heed starts to follow what the rule judges.
func (t *trial) heed(r *rig) {
	rateOf := -1
	if t.rate && t.rule.Watch != rules.TensionRate {
		rateOf = t.i
	}
	r.heed(t.rule.Watch, rateOf)
}

// justAfter lets time pass until just after a sample of the channels.
func (r *rig) justAfter(ids []rules.ChannelID) {
	if list := r.p.sourcesOf(ids); len(list) > 0 {
		r.until(r.due[list[len(list)-1]] + time.Millisecond)
	}
}

// hold is how long a value must be held so that the rule must have decided.
func (t *trial) hold() time.Duration {
	return t.d.settle + t.over + t.rule.Lasting + 4*t.period + 20*time.Millisecond
}

// verdict is the rule's own decision in a log: its trip, or its caution for a
// rule that only warns.
func (t *trial) verdict(log []event, why interlock.Reason) *event {
	kind := interlock.TripEffect
	if t.rule.Stop == rules.NoStop || why == interlock.ReasonRuleMissing && t.rule.MissingStop == rules.NoStop {
		kind = interlock.CautionEffect
	}
	for i := range log {
		if f := &log[i]; f.is(kind) && f.Rule == t.i && f.On && (why == interlock.NoReason || f.Reason == why) {
			return f
		}
	}
	return nil
}

// add puts a case into the row.
func (t *trial) add(name string, fault string, format string, args ...any) {
	t.row.Cases = append(t.row.Cases, judged(name, fault, fmt.Sprintf(format, args...)))
}

// skip puts in a case that cannot be tried, with the reason.
func (t *trial) skip(name, why string) {
	t.row.Cases = append(t.row.Cases, Case{Name: name, Outcome: NotProven, Says: why})
}

// moot puts in a case that this rule, or its channel, does not know.
func (t *trial) moot(name, why string) {
	t.row.Cases = append(t.row.Cases, Case{Name: name, Outcome: Moot, Says: why})
}

// prove proves one rule: a row for each side. Where another rule would trip
// before it, so that nothing of its own could be seen, it is proved once more
// in a core that has no other.
func (p *plan) prove(i int, b *bases) []Row {
	var rows []Row
	for _, s := range sidesOf(&p.env.Rules[i]) {
		row, beside := p.side(i, s, b)
		if beside != "" && (len(p.env.Rules) > 1 || len(p.env.Permissives) > 0) {
			alone, bases, err := p.alone(p.origin(i))
			if err == nil {
				row, _ = alone.side(0, s, bases)
				row.Beside = beside
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// alone is the plan of one rule of the setup's envelope in a core without any
// other, and the pads from which it sets out.
func (p *plan) alone(origin int) (*plan, *bases, error) {
	q := *p
	env := *p.setup.Envelope
	env.Rules, env.Permissives = env.Rules[origin:origin+1:origin+1], nil
	q.index, q.asideWhy, q.notes, q.leftOut = []int{origin}, map[int]string{}, nil, map[string]string{}
	if err := q.lay(&env); err != nil {
		return nil, nil, err
	}
	b, err := q.begin()
	if err == nil && q.asideWhy[origin] != "" {
		err = errors.New(q.asideWhy[origin])
	}
	return &q, b, err
}

// trial is the proof of one side of a rule before anything was tried.
func (p *plan) trial(i int, s side, b *bases) *trial {
	rule := &p.env.Rules[i]
	return &trial{p: p, b: b, i: i, rule: rule, way: s.way, limit: s.limit,
		rate:  rule.Form == rules.RisingFaster || rule.Form == rules.FallingFaster || rule.Watch == rules.TensionRate,
		over:  rule.Over,
		plain: rule.Form == rules.Is || rule.Form == rules.IsNot, budget: p.setup.Budget(rule)}
}

// side proves one side of a rule; beside is what of the others kept it from
// being seen.
func (p *plan) side(i int, s side, b *bases) (row Row, beside string) {
	rule := &p.env.Rules[i]
	row = Row{Rule: rule.Name, Line: rule.Line, Channel: rule.Watch.String(), Side: s.name, Unit: unitOf(rule), Limit: s.limit,
		Stop: rule.Stop.String(), StaleAfter: rule.StaleAfter.Seconds(), Cases: []Case{}, Index: p.origin(i)}
	t := p.trial(i, s, b)
	t.row = &row
	budget := t.budget.Relay.Seconds()
	row.Budget = &budget
	if t.nowhere() {
		row.Outcome, row.Why = NotProven, "no value of "+rule.Watch.String()+" lies past that side: it can only act on silence"
		return row, ""
	}
	if rule.Watch == rules.LinkAge {
		t.d = &drive{id: rules.LinkAge, moves: []rules.ChannelID{rules.LinkAge}}
		t.period = time.Millisecond
		t.age()
		return row, ""
	}
	why, mend := t.ready()
	switch {
	case why != "":
		row.Outcome, row.Why = NotProven, why
		if mend {
			beside = why
		}
		return row, beside
	}
	if fault := t.edge(); fault != "" {
		t.add("limit", fault, "")
		return row, ""
	}
	switch first := t.overtaken(); {
	case first != "" && len(p.env.Rules) > 1:
		return row, first
	case first != "" && (rule.Watch == rules.LinkLoss || rule.Watch == rules.LinkLag):
		row.Outcome, row.Why = NotProven, "so bad a link counts as none: "+first
		return row, ""
	}
	t.all()
	return row, ""
}

// others names the rules that tripped before the rule did.
func (t *trial) others(log []event, until *event) []string {
	var names []string
	for i := range log {
		f := &log[i]
		if f.Demands() && f.Rule != t.i && (until == nil || f.call <= until.call) {
			name := f.Reason.String()
			if f.Rule >= 0 {
				name = t.p.env.Rules[f.Rule].Name
			}
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

// stranger names a rule or an interlock that tripped although nothing that it
// rests on was moved; empty if none did.
func (t *trial) stranger(log []event) string {
	moved := t.needs()
	// A home that moves, or an estimator that says it is ill, makes height missing.
	height := slices.ContainsFunc(moved, func(id rules.ChannelID) bool {
		return id == rules.HomeLatitude || id == rules.HomeLongitude || id == rules.HomeAltitude || id == rules.EstimatorFlags
	})
	for i := range log {
		f := &log[i]
		if !f.Demands() || f.Rule == t.i {
			continue
		}
		if f.Rule < 0 {
			return f.Reason.String()
		}
		rests := t.p.cfg.Needs(t.p.env.Rules[f.Rule].Watch)
		if !slices.ContainsFunc(rests, func(id rules.ChannelID) bool {
			return slices.Contains(moved, id) || t.akin(id) || height && isHeight(id)
		}) {
			return t.p.env.Rules[f.Rule].Name
		}
	}
	return ""
}

// akin reports whether a channel comes in the same telling as one that is moved, so
// that moving the one may move the other: the cells of a pack and its voltage.
func (t *trial) akin(id rules.ChannelID) bool {
	same := t.p.sourcesOf([]rules.ChannelID{id})
	return slices.ContainsFunc(t.p.sourcesOf(t.needs()), func(k int) bool { return slices.Contains(same, k) })
}
