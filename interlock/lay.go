package interlock

import (
	"slices"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// lay prepares the limits, and what built-in interlocks take from them.
func (e *Engine) lay() (err error) {
	e.layCraft()
	e.speeds, e.outputs = e.site.Derived.Needs(rules.RotorSpeed), e.site.Derived.Needs(rules.MotorHighest)
	e.byPhase = e.phased()
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if e.site.Duty == Guard && e.site.PulsesAlone && e.env.Watches(id) && slices.Contains(e.site.Derived.Needs(id), rules.WindSpeed) {
			e.asksTurn = true
		}
	}
	e.limits, err = limits.New((*fromLimits)(e), e.env, e.site.Derived, &e.site.Fed, e.site.ReadyAfter, e.builtinChannels())
	e.layAges()
	return err
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
	e.byAge = e.env.Watches(rules.LinkAge)
	for i := range e.env.Rules {
		r := e.env.Rules[i]
		if r.Form == rules.Outside {
			r.Limit, r.Caution = r.LimitHigh, r.CautionHigh
		}
		if r.Watch != rules.LinkAge || r.Form != rules.Above && r.Form != rules.Outside {
			continue
		}
		if past(r.Limit); r.HasCaution {
			past(r.Caution)
		}
	}
	for i := range e.env.Permissives {
		if p := &e.env.Permissives[i]; p.Watch == rules.LinkAge {
			past(p.Limit)
		}
	}
	slices.Sort(e.ages)
}
