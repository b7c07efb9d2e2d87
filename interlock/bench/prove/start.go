package prove

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// bounds is where a channel must lie so that everything asked of it holds.
type bounds struct{ low, high float64 }

// inside narrows b to where the rule is quiet: past neither limit nor caution,
// and out of the deadband.
func (b *bounds) inside(r *rules.Rule) {
	low := func(v float64) { b.low = math.Max(b.low, v) }
	high := func(v float64) { b.high = math.Min(b.high, v) }
	switch r.Form {
	case rules.Above:
		high(r.Limit - r.Deadband)
		if r.HasCaution {
			high(r.Caution - r.Deadband)
		}
	case rules.Below:
		low(r.Limit + r.Deadband)
		if r.HasCaution {
			low(r.Caution + r.Deadband)
		}
	case rules.Outside:
		low(r.Limit + r.Deadband)
		high(r.LimitHigh - r.Deadband)
		if r.HasCaution {
			low(r.Caution + r.Deadband)
			high(r.CautionHigh - r.Deadband)
		}
	case rules.IsNot:
		b.low, b.high = r.Limit, r.Limit
	}
}

func (b *bounds) holds(p *rules.Permissive) {
	switch p.Form {
	case rules.Above:
		b.low = math.Max(b.low, p.Limit)
	case rules.Below:
		b.high = math.Min(b.high, p.Limit)
	case rules.Is:
		b.low, b.high = p.Limit, p.Limit
	}
}

// pick is a value well within the bounds, the usual one if that is.
func (b bounds) pick(usual float64) float64 {
	switch {
	case usual >= b.low && usual <= b.high:
		return usual
	case b.low == b.high:
		return b.low
	case math.IsInf(b.high, 1):
		return b.low + 0.1*math.Abs(b.low)
	case math.IsInf(b.low, -1):
		return b.high - 0.1*math.Abs(b.high)
	}
	return b.low + (b.high-b.low)/2
}

// settleDown puts a scene to where nothing stands against a start (ground) or,
// in the air, against a flight.
func (p *plan) settleDown(s *scene, ground bool) {
	s.put(rules.CraftArmed, 1)
	s.put(rules.CraftLanded, 0)
	if ground {
		s.put(rules.CraftArmed, 0)
		s.put(rules.CraftLanded, 1)
		for id := rules.Motor1Output; id <= rules.Motor16Output; id++ {
			s.put(id, 0)
		}
		for id := rules.Motor1Speed; id <= rules.Motor16Speed; id++ {
			s.put(id, 0)
		}
		for _, id := range slow {
			s.put(id, 0)
		}
	} else {
		for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
			s.put(id, usual(id))
		}
		for _, id := range slow {
			s.put(id, usual(id))
		}
	}
	var want [rules.ChannelCount]*bounds
	at := func(id rules.ChannelID) *bounds {
		if want[id] == nil {
			want[id] = &bounds{math.Inf(-1), math.Inf(1)}
		}
		return want[id]
	}
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		if ground && r.While != rules.Always || r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			continue
		}
		at(r.Watch).inside(r)
	}
	if ground {
		for i := range p.env.Permissives {
			at(p.env.Permissives[i].Watch).holds(&p.env.Permissives[i])
		}
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		b := want[id]
		if b == nil {
			continue
		}
		d, _ := p.driveOf(id)
		if d == nil {
			continue
		}
		now, known := p.valueIn(s, d)
		if known && now >= b.low && now <= b.high {
			continue
		}
		d.set(s, b.pick(now))
	}
	// A number that must not be this one is another.
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		if r.Form != rules.Is || r.Watch.Channel().Derived || ground && r.While != rules.Always {
			continue
		}
		if s.to[r.Watch] == r.Limit {
			s.put(r.Watch, other(r))
		}
	}
}

// valueIn is what the scene gives the drive's channel, where that is plain to
// see; a channel that is worked out is set anew instead.
func (p *plan) valueIn(s *scene, d *drive) (float64, bool) {
	if d.id.Channel().Derived {
		switch d.id {
		case rules.MotorHighest:
			return s.to[rules.Motor1Output], true
		case rules.RotorSpeed:
			return s.to[rules.Motor1Speed], true
		case rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10, rules.RotorWind:
			return s.to[rules.WindSpeed], true
		case rules.PackMeanCell:
			cfg := &p.setup.Site.Derived
			return s.to[cfg.PackVoltage] / float64(max(1, cfg.Cells)), true
		case rules.Tilt, rules.Sway, rules.Climb, rules.LinkLag, rules.LinkLoss:
			return 0, true
		case rules.Height, rules.Apex:
			if len(p.setup.Site.Derived.HeightSources) > 0 {
				// The apex lies over the height by what the coast adds.
				h := s.to[p.setup.Site.Derived.HeightSources[0]]
				probe := *s
				d.set(&probe, 0)
				return h - probe.to[p.setup.Site.Derived.HeightSources[0]], true
			}
		case rules.Distance:
			return 0.5, true
		}
		return 0, false
	}
	return s.to[d.id], true
}

// other is a value that an is or is_not rule is not about.
func other(r *rules.Rule) float64 {
	c := r.Watch.Channel()
	if c.Kind == rules.Flag {
		return 1 - r.Limit
	}
	if r.Limit+1 <= c.High {
		return r.Limit + 1
	}
	return r.Limit - 1
}

// patience is how long a start may take on this pad: what is averaged must
// fill its window first.
func (p *plan) patience() time.Duration {
	longest := time.Duration(0)
	for _, id := range p.watched() {
		if d, _ := p.driveOf(id); d != nil {
			longest = max(longest, d.settle)
		}
		if id == rules.Peak10 || id == rules.Lull10 {
			longest = max(longest, 10*time.Minute+10*time.Second)
		}
	}
	return longest + p.setup.Site.ReadyAfter + 15*time.Second
}

func (p *plan) watched() []rules.ChannelID {
	var ids []rules.ChannelID
	for i := range p.env.Rules {
		ids = append(ids, p.env.Rules[i].Watch)
	}
	for i := range p.env.Permissives {
		ids = append(ids, p.env.Permissives[i].Watch)
	}
	return ids
}

// ready brings a pad from power-up to Ready; the list is what stands against it.
func (p *plan) ready() (*rig, []interlock.Unmet, error) {
	r, err := p.newRig()
	if err != nil {
		return nil, nil, err
	}
	p.settleDown(&r.sc, true)
	for _, id := range slow {
		r.sc.v[id] = r.sc.to[id]
	}
	r.run(100 * time.Millisecond)
	r.press(interlock.Reset, r.resetHold())
	for end := r.now + p.patience(); r.now < end; {
		r.run(500 * time.Millisecond)
		r.core.View(&r.view)
		if r.view.State == interlock.Ready {
			return r, nil, nil
		}
	}
	return r, slices.Clone(r.view.Unmet), nil
}

func (r *rig) resetHold() time.Duration {
	s := &r.p.setup.Site
	return s.ResetShortest + (s.ResetLongest-s.ResetShortest)/10
}

// start presses start and waits for Live.
func (r *rig) start() error {
	r.run(100 * time.Millisecond)
	r.press(interlock.Start, 200*time.Millisecond)
	r.run(r.p.setup.Site.Horn + r.p.setup.Site.PickUp + time.Second)
	if s := r.state(); s != interlock.Live {
		return fmt.Errorf("prove: the core does not come to live, but to %v: %v", s, r.view.Why)
	}
	return nil
}

func (r *rig) state() interlock.State {
	r.core.View(&r.view)
	return r.view.State
}

// fly takes the craft into the air and waits until everything is at rest.
func (r *rig) fly() {
	r.p.settleDown(&r.sc, false)
	r.rest()
	r.run(2 * time.Second)
}

// rest waits until no slow channel moves.
func (r *rig) rest() {
	for n := 0; r.sc.moving() && n < 3000; n++ {
		r.run(100 * time.Millisecond)
	}
}

// bases are the pads from which the proofs set out.
type bases struct{ ready, ground, air *rig }

// begin makes the bases. Rules that stand against a start are taken out, with
// the reason, so that the others can be proved.
func (p *plan) begin() (*bases, error) {
	for range len(p.setup.Envelope.Rules) + len(p.setup.Envelope.Permissives) + 1 {
		r, unmet, err := p.ready()
		if err != nil {
			return nil, err
		}
		if unmet == nil {
			b := &bases{ready: r, ground: r.clone()}
			if err := b.ground.start(); err != nil {
				return nil, err
			}
			b.ground.run(3 * time.Second)
			b.air = b.ground.clone()
			b.air.fly()
			return b, nil
		}
		if !p.aside(r, unmet) {
			var says []string
			for _, u := range unmet {
				says = append(says, r.view.Say(p.env, u))
			}
			return nil, fmt.Errorf("prove: the core cannot be brought to a start: %s", strings.Join(says, "; "))
		}
	}
	return nil, fmt.Errorf("prove: no rule is left that can be brought to a start")
}

// aside takes out the rules and permissives that stand against a start.
func (p *plan) aside(r *rig, unmet []interlock.Unmet) bool {
	env := *p.env
	env.Rules, env.Permissives = nil, nil
	var kept []int
	for i := range p.env.Rules {
		why := ""
		for _, u := range unmet {
			if u.Need == interlock.NeedRule && u.Index == i || u.Need == interlock.NeedChannel && u.Index == int(p.env.Rules[i].Watch) {
				why = r.view.Say(p.env, u)
			}
		}
		if why == "" {
			env.Rules = append(env.Rules, p.env.Rules[i])
			kept = append(kept, p.origin(i))
			continue
		}
		p.asideWhy[p.origin(i)] = "the start cannot be made with it (" + why + "), so that it was left out for the others"
	}
	for i := range p.env.Permissives {
		if j := slices.IndexFunc(unmet, func(u interlock.Unmet) bool { return u.Need == interlock.NeedPermissive && u.Index == i }); j >= 0 {
			p.notes = append(p.notes, fmt.Sprintf("the condition %q cannot be met here (%s) and was left out", p.env.Permissives[i].Name, r.view.Say(p.env, unmet[j])))
			continue
		}
		env.Permissives = append(env.Permissives, p.env.Permissives[i])
	}
	if len(env.Rules) == len(p.env.Rules) && len(env.Permissives) == len(p.env.Permissives) {
		return false
	}
	p.index = kept
	return p.lay(&env) == nil
}

// origin is the place of a rule in the envelope as it was read.
func (p *plan) origin(i int) int {
	if p.index == nil {
		return i
	}
	return p.index[i]
}
