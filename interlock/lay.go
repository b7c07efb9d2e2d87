package interlock

import (
	"slices"

	"downhaul/rules"
)

// lay prepares the limits, and what built-in interlocks take from them.
func (e *Engine) lay() error {
	e.layFed(&e.site.Fed)
	e.layCraft()
	e.byPhase = e.phased()
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if e.site.Duty == Guard && e.site.PulsesAlone && e.watches(id) && slices.Contains(e.site.Derived.Needs(id), rules.WindSpeed) {
			e.asksTurn = true
		}
	}
	if err := e.limits.lay(e.builtinChannels()); err != nil {
		return err
	}
	e.layAges()
	return nil
}

// layAges collects the ages at which a rule's side can change, rising: the
// first nanosecond past each limit and caution.
func (e *Engine) layAges() {
	past := func(limit float64) {
		age := seconds(limit)
		for float64(age)/1e9 <= limit && age < rules.Never/4 {
			age++
		}
		e.ages = append(e.ages, age)
	}
	c := &e.channels[rules.LinkAge]
	for _, i := range e.order[c.rulesFrom:c.rulesTo] {
		r := &e.env.Rules[i]
		switch r.Form {
		case rules.Above:
			past(r.Limit)
			if r.HasCaution {
				past(r.Caution)
			}
		case rules.Outside:
			past(r.LimitHigh)
			if r.HasCaution {
				past(r.CautionHigh)
			}
		}
	}
	for _, i := range e.perms[c.permsFrom:c.permsTo] {
		past(e.env.Permissives[i].Limit)
	}
	slices.Sort(e.ages)
}
