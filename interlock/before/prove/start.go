package prove

import (
	"fmt"
	"math"
	"slices"
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
	case rules.Outside:
		if c := p.Watch.Channel(); p.Limit > c.Low {
			b.high = math.Min(b.high, p.Limit)
		} else {
			b.low = math.Max(b.low, p.LimitHigh)
		}
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
	craftRests(s, ground)
	want := p.wants(ground)
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		b := want[id]
		d, _ := p.driveOf(id)
		switch {
		case b == nil || d == nil:
		case byLoad(id):
			d.set(s, b.byHand())
		default:
			if now, known := p.valueIn(s, d); !known || now < b.low || now > b.high {
				d.set(s, b.pick(now))
			}
		}
	}
	// A number that must not be this one is another.
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		if r.Form == rules.Is && !r.Watch.Channel().Derived && !(ground && r.While != rules.Always) && s.to[r.Watch] == r.Limit {
			s.put(r.Watch, other(r))
		}
	}
	for i := range p.env.Permissives {
		c := &p.env.Permissives[i]
		if ground && c.Form == rules.IsNot && !c.Watch.Channel().Derived && s.to[c.Watch] == c.Limit {
			s.put(c.Watch, other(&rules.Rule{Watch: c.Watch, Limit: c.Limit}))
		}
	}
}

// craftRests puts the craft on the ground, disarmed, or into a hover.
func craftRests(s *scene, ground bool) {
	s.put(rules.CraftArmed, pick(ground, 0.0, 1))
	s.put(rules.CraftLanded, pick(ground, 1.0, 0))
	for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
		s.put(id, pick(ground, 0, usual(id)))
	}
	for _, id := range slow {
		s.put(id, pick(ground, 0, usual(id)))
	}
}

// wants is where each channel must lie so that nothing stands against a start, or in the
// air against a flight; nil where nothing is asked.
func (p *plan) wants(ground bool) (want [rules.ChannelCount]*bounds) {
	at := func(id rules.ChannelID) *bounds {
		if want[id] == nil {
			want[id] = &bounds{math.Inf(-1), math.Inf(1)}
		}
		return want[id]
	}
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		if ground && r.While != rules.Always && p.stands(r.Watch) || r.Form == rules.RisingFaster || r.Form == rules.FallingFaster || r.Watch == rules.TensionRate {
			continue
		}
		at(r.Watch).inside(r)
	}
	for i := 0; ground && i < len(p.env.Permissives); i++ {
		at(p.env.Permissives[i].Watch).holds(&p.env.Permissives[i])
	}
	return want
}

// stands reports whether a channel is another on the ground than in the air.
func (p *plan) stands(id rules.ChannelID) bool {
	return slices.ContainsFunc(p.cfg.Needs(id), func(m rules.ChannelID) bool { return isHeight(m) || slices.Contains(byPhase, m) })
}

// valueIn is what the scene gives the drive's channel, where that is plain to
// see; a channel that is worked out is set anew instead.
func (p *plan) valueIn(s *scene, d *drive) (float64, bool) {
	if d.id.Channel().Derived {
		switch d.id {
		case rules.MotorHighest:
			return s.to[rules.Motor1Output], true
		case rules.MotorHeadroom:
			return 1 - s.to[rules.Motor1Output], true
		case rules.MotorSpread:
			return math.Abs(s.to[rules.Motor1Output] - s.to[rules.Motor1Output+1]), true
		case rules.RotorSpeed:
			return s.to[rules.Motor1Speed], true
		case rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10, rules.RotorWind, rules.RotorGust:
			return s.to[rules.WindSpeed], true
		case rules.PackMeanCell:
			cfg := &p.cfg
			return s.to[cfg.PackVoltage] / float64(max(1, cfg.Cells)), true
		case rules.Tilt, rules.Sway, rules.Climb, rules.LinkLag, rules.LinkLoss:
			return 0, true
		case rules.Height, rules.Apex:
			if len(p.cfg.HeightSources) > 0 {
				// The apex lies over the height by what the coast adds.
				h := s.to[p.cfg.HeightSources[0]]
				probe := *s
				d.set(&probe, 0)
				return h - probe.to[p.cfg.HeightSources[0]], true
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
		if r.view.State == interlock.Ready && p.heard(r) {
			return r, nil, nil
		}
	}
	if r.view.State == interlock.Ready {
		return r, nil, nil
	}
	return r, slices.Clone(r.view.Unmet), nil
}

// heard reports whether everything that is watched has a value: a start does not wait
// for what only warns.
func (p *plan) heard(r *rig) bool {
	for _, id := range p.watched() {
		if d, _ := p.driveOf(id); d != nil && p.setup.Fed(id) != rules.NotFed && r.core.Reading(id).Quality == rules.Missing {
			return false
		}
	}
	return true
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
	// Limits on how fast motors speed up are kept on the way.
	const steps = 100
	stood := r.sc
	r.p.settleDown(&r.sc, false)
	if flies := r.sc; r.p.gently > 0 {
		for k := range steps {
			for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
				r.sc.force(id, stood.v[id]+(flies.v[id]-stood.v[id])*float64(k)/steps)
			}
			r.run(min(r.p.gently, time.Minute) / steps)
		}
		for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
			r.sc.force(id, flies.v[id])
		}
	}
	r.rest()
	r.run(2 * time.Second)
}

// rest waits until no slow channel moves.
func (r *rig) rest() {
	for n := 0; r.sc.moving() && n < 3000; n++ {
		r.run(100 * time.Millisecond)
	}
}

// byPhase are the channels that tell how the craft stands or flies.
var byPhase = append(append([]rules.ChannelID{rules.CraftArmed, rules.CraftLanded}, span(rules.Motor1Output, rules.Motor16Output)...), span(rules.Motor1Speed, rules.Motor16Speed)...)
