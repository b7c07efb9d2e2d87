package prove

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// bases are the pads from which the proofs set out.
type bases struct{ ready, ground, air *rig }

// begin makes the bases. Rules that stand against a start or a flight are taken
// out, with the reason, so that the others can be proved.
func (p *plan) begin() (*bases, error) {
	for range len(p.setup.Envelope.Rules) + len(p.setup.Envelope.Permissives) + 2 {
		r, unmet, err := p.ready()
		if err != nil {
			return nil, err
		}
		if unmet != nil {
			if p.aside(r, unmet) {
				continue
			}
			if err := p.singly(p.reasons(r, unmet)); err != nil {
				return nil, err
			}
			continue
		}
		b := &bases{ready: r, ground: r.clone()}
		if err := b.ground.start(); err != nil {
			if p.tooSoon(b.ground) {
				continue
			}
			return nil, err
		}
		b.ground.run(3 * time.Second)
		b.air = b.ground.clone()
		b.air.fly()
		if b.air.state() == interlock.Live {
			p.buried(b)
			return b, nil
		}
		if !p.grounded(b.air) {
			return nil, fmt.Errorf("prove: the core does not stay live in the air: %v", b.air.view.Why)
		}
	}
	return nil, fmt.Errorf("prove: no rule is left that can be brought to a start")
}

// buried notes that the craft would have to stand below the ground to be inside
// every limit and caution: a prediction that is pessimistic by metres does that.
func (p *plan) buried(b *bases) {
	for _, id := range p.cfg.HeightSources {
		if h := b.ground.sc.v[id]; h < -0.05 {
			p.notes = append(p.notes, fmt.Sprintf("no height above the ground is inside every limit and caution on this pad: here the craft stands at %s. "+
				"Look at the limits of height, and at error, reaction and thrust under [height] in the pad file", rules.Format(h, rules.DefaultUnit(rules.Length, p.setup.Envelope.Units))))
			return
		}
	}
}

// reasons is what stands against a start, in words.
func (p *plan) reasons(r *rig, unmet []interlock.Unmet) string {
	var says []string
	for _, u := range unmet {
		says = append(says, r.view.Say(p.env, u))
	}
	return strings.Join(says, "; ")
}

// aside takes out the rules and permissives that a start is refused for by
// name.
func (p *plan) aside(r *rig, unmet []interlock.Unmet) bool {
	named := func(n interlock.Need, i int) (string, bool) {
		k := slices.IndexFunc(unmet, func(u interlock.Unmet) bool { return u.Need == n && u.Index == i })
		if k < 0 {
			return "", false
		}
		return r.view.Say(p.env, unmet[k]), true
	}
	return p.without(func(i int) string {
		why, itself := named(interlock.NeedRule, i)
		ok := itself
		if !ok {
			why, ok = named(interlock.NeedChannel, int(p.env.Rules[i].Watch))
		}
		if !ok {
			return ""
		}
		if d, reason := p.driveOf(p.env.Rules[i].Watch); d == nil && reason != "" {
			return reason
		}
		return p.noStart(&p.env.Rules[i], why, itself)
	}, func(i int) string {
		why, _ := named(interlock.NeedPermissive, i)
		return why
	})
}

// noStart returns why a rule is not proved that no start can be made with.
func (p *plan) noStart(r *rules.Rule, why string, outside bool) string {
	says := "no start can be made with it"
	if lead := p.coast(0); outside && r.Watch == rules.Apex && r.Form == rules.Above && lead >= r.Limit {
		return fmt.Sprintf("%s: on a craft that stands on the ground the predicted apex is %s already, with %s to no thrust; a shorter stop that was measured ([stop]), smaller errors of height and climb ([height]) or a higher limit leave it room",
			says, Say(lead, r.Unit), rules.FormatDuration(p.cfg.Reaction.Round(10*time.Millisecond)))
	}
	if why != "" {
		says += " (" + why + ")"
	}
	if outside && r.While == rules.Always {
		says += ": it counts on the ground too, where the craft is not inside it; with while = \"airborne\" it would not"
	}
	return says
}

// tooSoon takes out the rule that spoiled the start.
func (p *plan) tooSoon(r *rig) bool {
	e := find(r.log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Blocked && e.Rule >= 0 })
	return e != nil && p.without(func(i int) string {
		return pick(e.Rule == i, "it acts on a calm day, before anything flies", "")
	}, func(int) string { return "" })
}

// grounded takes out the rules that tripped when the craft took off.
func (p *plan) grounded(r *rig) bool {
	return p.without(func(i int) string {
		e := find(r.log, interlock.TripEffect, func(e *event) bool { return e.Rule == i && e.FirstOut })
		if e == nil {
			return ""
		}
		return fmt.Sprintf("it trips as soon as the craft flies (%s)", Say(e.Value, p.env.Rules[i].Unit))
	}, func(int) string { return "" })
}

// without takes out the rules and permissives for which there is a reason; it
// says whether there was any.
func (p *plan) without(rule, permissive func(i int) string) bool {
	env := *p.env
	env.Rules, env.Permissives = nil, nil
	var kept []int
	for i := range p.env.Rules {
		if why := rule(i); why != "" {
			p.asideWhy[p.origin(i)] = why
			continue
		}
		env.Rules = append(env.Rules, p.env.Rules[i])
		kept = append(kept, p.origin(i))
	}
	for i := range p.env.Permissives {
		if why := permissive(i); why != "" {
			p.leftOut[p.env.Permissives[i].Name] = "it cannot be met here beside the rules: " + why
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

// singly finds by trying which rules and permissives stand against a start
// that is refused for a reason which names none of them, such as an output that
// a rule wants high and the ground wants low: it begins with none and keeps
// each that does not spoil the start.
func (p *plan) singly(why string) error {
	full, index := p.env, p.index
	origin := func(i int) int {
		if index == nil {
			return i
		}
		return index[i]
	}
	env := *full
	env.Rules, env.Permissives = nil, nil
	var kept []int
	starts := func(e *rules.Envelope) (bool, error) {
		if err := p.lay(e); err != nil {
			return false, err
		}
		_, unmet, err := p.ready()
		return unmet == nil, err
	}
	if ok, err := starts(&env); err != nil || !ok {
		p.index = index
		if err == nil {
			err = fmt.Errorf("prove: the core cannot be brought to a start, whatever the rules: %s", why)
		}
		return err
	}
	for i := range full.Permissives {
		try := env
		try.Permissives = append(slices.Clone(env.Permissives), full.Permissives[i])
		ok, err := starts(&try)
		if err != nil {
			return err
		}
		if !ok {
			p.leftOut[full.Permissives[i].Name] = "it cannot be met here beside the others: " + why
			continue
		}
		env = try
	}
	for i := range full.Rules {
		try := env
		try.Rules = append(slices.Clone(env.Rules), full.Rules[i])
		ok, err := starts(&try)
		if err != nil {
			return err
		}
		if !ok {
			p.asideWhy[origin(i)] = p.noStart(&full.Rules[i], why, true)
			continue
		}
		env = try
		kept = append(kept, origin(i))
	}
	if kept == nil {
		kept = []int{}
	}
	p.index = kept
	return p.lay(&env)
}

// origin is the place of a rule in the envelope as it was read.
func (p *plan) origin(i int) int {
	if p.index == nil {
		return i
	}
	return p.index[i]
}
