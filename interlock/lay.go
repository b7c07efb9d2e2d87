package interlock

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// lay sorts rules, permissives and calculators by channel.
func (e *Engine) lay() error {
	e.layFed()
	e.layCraft()
	count := len(e.env.Rules)
	e.order = make([]int32, count)
	for i := range e.order {
		e.order[i] = int32(i)
	}
	slices.SortStableFunc(e.order, func(a, b int32) int {
		return int(e.env.Rules[a].Watch) - int(e.env.Rules[b].Watch)
	})
	e.perms = make([]int32, len(e.env.Permissives))
	for i := range e.perms {
		e.perms[i] = int32(i)
	}
	slices.SortStableFunc(e.perms, func(a, b int32) int {
		return int(e.env.Permissives[a].Watch) - int(e.env.Permissives[b].Watch)
	})
	var thresholds []float64
	for i := range e.env.Rules {
		r := &e.env.Rules[i]
		if r.Watch == rules.NoChannel || r.Watch >= rules.ChannelCount {
			return fmt.Errorf("interlock: rule %q watches no known channel", r.Name)
		}
		e.runs[i].due = rules.Never
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			e.runs[i].slope = derived.NewSlope(r.Over)
		}
		if r.Watch == rules.Apex {
			thresholds = append(thresholds, r.Limit)
			if r.HasCaution {
				thresholds = append(thresholds, r.Caution)
			}
			if r.Form == rules.Outside {
				thresholds = append(thresholds, r.LimitHigh)
				if r.HasCaution {
					thresholds = append(thresholds, r.CautionHigh)
				}
			}
		}
	}
	e.site.Derived.ApexThresholds = thresholds
	e.byPhase = e.phased()
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if e.site.Duty == Guard && e.site.PulsesAlone && e.watches(id) && slices.Contains(e.site.Derived.Needs(id), rules.WindSpeed) {
			e.asksTurn = true
		}
	}
	builtins := e.builtinChannels()
	calcs, err := derived.New(e.site.Derived, func(id rules.ChannelID) bool {
		return e.watches(id) || slices.Contains(builtins, id) && e.feeds(id)
	})
	if err != nil {
		return fmt.Errorf("interlock: %w", err)
	}
	// Sorted by trigger; among equals the order of derived.New, in which what
	// feeds another comes first.
	slices.SortStableFunc(calcs, func(a, b derived.Calculator) int { return int(a.Trigger()) - int(b.Trigger()) })
	e.calcs = calcs
	e.calcDue = make([]time.Duration, len(calcs))
	for i, c := range calcs {
		e.calcDue[i] = c.Due()
		run := &e.channels[c.Trigger()]
		if run.calcTo == 0 {
			run.calcFrom = int32(i)
		}
		run.calcTo = int32(i) + 1
	}
	for i, r := range e.order {
		run := &e.channels[e.env.Rules[r].Watch]
		if run.rulesTo == 0 {
			run.rulesFrom = int32(i)
		}
		run.rulesTo = int32(i) + 1
	}
	for i, p := range e.perms {
		run := &e.channels[e.env.Permissives[p].Watch]
		if run.permsTo == 0 {
			run.permsFrom = int32(i)
		}
		run.permsTo = int32(i) + 1
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		e.layChannel(id, builtins)
	}
	e.layAges()
	return nil
}

func (e *Engine) layChannel(id rules.ChannelID, builtins []rules.ChannelID) {
	c := &e.channels[id]
	c.id = id
	c.stale, c.ready, c.streak, c.shortest = rules.Never, rules.Never, rules.Never, rules.Never
	for _, r := range e.order[c.rulesFrom:c.rulesTo] {
		rule := &e.env.Rules[r]
		c.used = true
		c.shortest, c.longest = min(c.shortest, rule.StaleAfter), max(c.longest, rule.StaleAfter)
		if e.runs[r].slope != nil {
			c.sloped, c.warming = true, max(c.warming, rule.Over)
		}
		if rule.Stop != rules.NoStop && rule.WhenMissing == rules.MissingTrips && e.feeds(id) {
			c.needed = true
		}
		if rule.FrozenAfter > 0 && (c.frozenAfter == 0 || rule.FrozenAfter < c.frozenAfter) {
			c.frozenAfter = rule.FrozenAfter
		}
	}
	if c.rulesTo == c.rulesFrom {
		// No rule of its own, but one on a channel worked out from it may be:
		// what rests on a frozen channel would stand still and look well.
		c.frozenAfter = id.Channel().FrozenAfter
	}
	for _, p := range e.perms[c.permsFrom:c.permsTo] {
		c.used = true
		limit := e.env.Permissives[p].StaleAfter
		c.shortest, c.longest = min(c.shortest, limit), max(c.longest, limit)
	}
	if c.used {
		e.used = append(e.used, id)
	}
	c.builtin = slices.Contains(builtins, id)
}

// watches says whether a rule or a permissive of the envelope watches id.
func (e *Engine) watches(id rules.ChannelID) bool {
	for i := range e.env.Rules {
		if e.env.Rules[i].Watch == id {
			return true
		}
	}
	for i := range e.env.Permissives {
		if e.env.Permissives[i].Watch == id {
			return true
		}
	}
	return false
}

// feeds says whether every channel that id rests on is fed on this pad.
func (e *Engine) feeds(id rules.ChannelID) bool { return e.fed[id] }

// layFed works out feeds once; it is asked on the hot path.
func (e *Engine) layFed() {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		needs := e.site.Derived.Needs(id)
		e.fed[id] = len(needs) > 0
		for _, n := range needs {
			e.fed[id] = e.fed[id] && e.site.Fed[n] != rules.NotFed
		}
	}
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
