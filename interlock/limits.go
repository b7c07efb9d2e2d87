package interlock

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// limits are the channels and the rules in time: what each channel read last and how
// fresh that is, what is derived from it, and which rules ask for a stop or caution.
// They know no state, no line and no chain. What they find goes up at once, in the
// order in which it is found.
type limits struct {
	above      above
	env        *rules.Envelope
	cfg        derived.Config
	readyAfter time.Duration

	fed      [rules.ChannelCount]bool
	tracking bool
	table    derived.Table
	calcs    []derived.Calculator
	calcDue  []time.Duration
	channels [rules.ChannelCount]channelRun
	used     []rules.ChannelID // channels that have rules or permissives
	order    []int32           // rule indexes sorted by channel, file order within
	perms    []int32           // permissive indexes sorted by channel
	runs     []ruleRun         // by rule index
	awake    []rules.ChannelID // channels with a deadline, and some without
	waiting  []int32           // rules whose on-delay runs, and some others
	acting   []int32           // rules that act in this very instant

	permHolds []bool
	toldUntil time.Duration // what comes later comes behind a silence of the craft
}

// above is who acts on what the limits find.
type above interface {
	// inForce reports whether a rule of that phase counts now.
	inForce(p rules.Phase) bool
	// demandMoved is told that a demand of rule i, of its value or of its missing
	// channel, came or went; cautionMoved the same of its caution.
	demandMoved(at time.Duration, i, kind int)
	cautionMoved(at time.Duration, i int, why Reason)
	// builtins is told every reading of a channel that it named.
	builtins(at time.Duration, id rules.ChannelID, r derived.Result)
	// wake is told of an instant at which the limits have something to do.
	wake(due time.Duration)
	// unsettled is told that a condition for a start may have moved.
	unsettled()
}

type channelRun struct {
	id       rules.ChannelID
	used     bool          // has rules or permissives
	builtin  bool          // built-in interlocks or phases look at it
	missed   bool          // a rule has turned missing since the last Good sample
	heard    bool          // a Good sample came once
	good     time.Duration // time of the last Good sample
	streak   time.Duration // since when it is fresh; Never if it is not
	stale    time.Duration // next staleness deadline
	shortest time.Duration // shortest staleness of its rules and permissives

	rulesFrom, rulesTo int32
	permsFrom, permsTo int32
	calcFrom, calcTo   int32
	needed             bool // a rule needs it to start
	awake              bool // stands in the engine's list
	healthy            bool // streak has lasted long enough
	frozenAfter        int
	same               int
	last               float64
	longest            time.Duration // longest of them
	sloped             bool          // has rules on its rate
	warming            time.Duration // the longest span of them
	ready              time.Duration // when the streak is long enough
}

// lay sorts rules, permissives and calculators by channel. Readings of the builtin
// channels go up.
func (l *limits) lay(builtins []rules.ChannelID) error {
	l.runs = make([]ruleRun, len(l.env.Rules))
	l.permHolds = make([]bool, len(l.env.Permissives))
	count := len(l.env.Rules)
	l.order = make([]int32, count)
	for i := range l.order {
		l.order[i] = int32(i)
	}
	slices.SortStableFunc(l.order, func(a, b int32) int {
		return int(l.env.Rules[a].Watch) - int(l.env.Rules[b].Watch)
	})
	l.perms = make([]int32, len(l.env.Permissives))
	for i := range l.perms {
		l.perms[i] = int32(i)
	}
	slices.SortStableFunc(l.perms, func(a, b int32) int {
		return int(l.env.Permissives[a].Watch) - int(l.env.Permissives[b].Watch)
	})
	var thresholds []float64
	for i := range l.env.Rules {
		r := &l.env.Rules[i]
		if r.Watch == rules.NoChannel || r.Watch >= rules.ChannelCount {
			return fmt.Errorf("interlock: rule %q watches no known channel", r.Name)
		}
		l.runs[i].due = rules.Never
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			l.runs[i].slope = derived.NewSlope(r.Over)
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
	l.cfg.ApexThresholds = thresholds
	calcs, err := derived.New(l.cfg, func(id rules.ChannelID) bool {
		return l.watches(id) || slices.Contains(builtins, id) && l.feeds(id)
	})
	if err != nil {
		return fmt.Errorf("interlock: %w", err)
	}
	// Sorted by trigger; among equals the order of derived.New, in which what
	// feeds another comes first.
	slices.SortStableFunc(calcs, func(a, b derived.Calculator) int { return int(a.Trigger()) - int(b.Trigger()) })
	l.calcs = calcs
	l.calcDue = make([]time.Duration, len(calcs))
	for i, c := range calcs {
		l.calcDue[i] = c.Due()
		run := &l.channels[c.Trigger()]
		if run.calcTo == 0 {
			run.calcFrom = int32(i)
		}
		run.calcTo = int32(i) + 1
	}
	for i, r := range l.order {
		run := &l.channels[l.env.Rules[r].Watch]
		if run.rulesTo == 0 {
			run.rulesFrom = int32(i)
		}
		run.rulesTo = int32(i) + 1
	}
	for i, p := range l.perms {
		run := &l.channels[l.env.Permissives[p].Watch]
		if run.permsTo == 0 {
			run.permsFrom = int32(i)
		}
		run.permsTo = int32(i) + 1
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		l.layChannel(id, builtins)
	}
	l.awake = make([]rules.ChannelID, 0, len(l.used))
	l.waiting, l.acting = make([]int32, 0, len(l.runs)), make([]int32, 0, 2*len(l.runs))
	return nil
}

func (l *limits) layChannel(id rules.ChannelID, builtins []rules.ChannelID) {
	c := &l.channels[id]
	c.id = id
	c.stale, c.ready, c.streak, c.shortest = rules.Never, rules.Never, rules.Never, rules.Never
	for _, r := range l.order[c.rulesFrom:c.rulesTo] {
		rule := &l.env.Rules[r]
		c.used = true
		c.shortest, c.longest = min(c.shortest, rule.StaleAfter), max(c.longest, rule.StaleAfter)
		if l.runs[r].slope != nil {
			c.sloped, c.warming = true, max(c.warming, rule.Over)
		}
		if rule.Stop != rules.NoStop && rule.WhenMissing == rules.MissingTrips && l.feeds(id) {
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
	for _, p := range l.perms[c.permsFrom:c.permsTo] {
		c.used = true
		limit := l.env.Permissives[p].StaleAfter
		c.shortest, c.longest = min(c.shortest, limit), max(c.longest, limit)
	}
	if c.used {
		l.used = append(l.used, id)
	}
	c.builtin = slices.Contains(builtins, id)
}

// watches says whether a rule or a permissive of the envelope watches id.
func (l *limits) watches(id rules.ChannelID) bool {
	for i := range l.env.Rules {
		if l.env.Rules[i].Watch == id {
			return true
		}
	}
	for i := range l.env.Permissives {
		if l.env.Permissives[i].Watch == id {
			return true
		}
	}
	return false
}

// feeds says whether every channel that id rests on is fed on this pad.
func (l *limits) feeds(id rules.ChannelID) bool { return l.fed[id] }

// layFed works out feeds once; it is asked on the hot path.
func (l *limits) layFed(from *[rules.ChannelCount]rules.Origin) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		needs := l.cfg.Needs(id)
		l.fed[id] = len(needs) > 0
		for _, n := range needs {
			l.fed[id] = l.fed[id] && from[n] != rules.NotFed
		}
	}
}

// clone is a second one that shares nothing that changes, below up.
func (l *limits) clone(up above) limits {
	c := *l
	c.above = up
	c.calcs = make([]derived.Calculator, len(l.calcs))
	for i := range l.calcs {
		c.calcs[i] = l.calcs[i].Clone()
	}
	c.calcDue = slices.Clone(l.calcDue)
	c.used = slices.Clone(l.used)
	c.awake = append(make([]rules.ChannelID, 0, cap(l.awake)), l.awake...)
	c.waiting = append(make([]int32, 0, cap(l.waiting)), l.waiting...)
	c.acting = make([]int32, 0, cap(l.acting))
	c.runs = slices.Clone(l.runs)
	for i := range c.runs {
		if c.runs[i].slope != nil {
			c.runs[i].slope = c.runs[i].slope.Clone()
		}
	}
	c.permHolds = slices.Clone(l.permHolds)
	return c
}
