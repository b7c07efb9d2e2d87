// Package limits holds the channels and the rules in time: what each channel read
// last and how fresh that is, what is derived from it, and which rules ask for a
// stop or a caution. Demands come up through Above; nothing is asked of it but
// whether a phase is on. It knows no state of the latch, no input line, no chain.
//
// It promises: a demand comes up in the very Take or Fire in which it becomes due;
// missing is violating, and silence clears nothing; a doubtful value may count
// against a limit and ends nothing; NaN, an implausible and a frozen value are
// missing. It trusts: the envelope was checked, time does not run back, Fire is
// called at every instant that Wake named or Due gives, and calculators tell their
// next deadline. What they give is checked as any sample is.
package limits

import (
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/rules"
)

// Limits are the channels and the rules of one envelope in time. What they find goes
// up at once, in the order in which it is found.
type Limits struct {
	above      Above
	env        *rules.Envelope
	readyAfter time.Duration

	fed      [rules.ChannelCount]bool
	judged   func(at time.Duration, i int, v float64) // nil is nobody
	needs    [rules.ChannelCount][]rules.ChannelID    // the measured channels that each rests on
	helps    [rules.ChannelCount][]rules.ChannelID    // what else it looks at
	table    Table
	calcs    []Calculator
	calcDue  []time.Duration
	channels [rules.ChannelCount]channelRun
	used     []rules.ChannelID // channels that have rules or permissives
	needed   []rules.ChannelID // those of them that a rule needs to start
	runs     []ruleRun         // by rule index
	awake    []rules.ChannelID // channels with a deadline, and some without
	waiting  []int32           // rules whose on-delay runs, and some others
	acting   []int32           // rules that act in this very instant

	permHolds []bool
	broken    bool          // no calculator is asked any more
	toldUntil time.Duration // what comes later comes behind a silence of the craft
}

// Why says what a demand or a caution of a rule rests on.
type Why uint8

const (
	ByValue   Why = iota // its limit or its caution was left
	ByMissing            // its channel is missing
	ByDoubt              // its channel may be missing, or may not; a caution only
)

// Above is who acts on what the limits find. Nothing that it does from within one of
// these calls may take a sample or fire.
type Above interface {
	// InForce reports whether a rule of that phase counts now.
	InForce(p rules.Phase) bool
	// Asked is told that a demand of rule i, by its value or by its missing channel,
	// came or went; Cautioned the same of its caution. Rule says what stands.
	Asked(at time.Duration, i int, why Why)
	Cautioned(at time.Duration, i int, why Why)
	// Read is told every reading of a channel that was named to New.
	Read(at time.Duration, id rules.ChannelID, r Result)
	// Wake is told of an instant at which Fire has something to do.
	Wake(due time.Duration)
	// Unsettled is told that a condition for a start may have moved.
	Unsettled()
	// Broke is told, in the very call, what a calculator panicked with.
	Broke(at time.Duration, p any)
}

type channelRun struct {
	id       rules.ChannelID
	named    bool          // its readings go up
	missed   bool          // a rule has turned missing since the last Good sample
	heard    bool          // a Good sample came once
	good     time.Duration // time of the last Good sample
	streak   time.Duration // since when it is fresh; Never if it is not
	stale    time.Duration // next staleness deadline
	shortest time.Duration // shortest staleness of its rules and permissives; Never without any

	// What hangs on it, by index: rules and permissives in the order of the file, and
	// calculators.
	rules, perms, calcs []int32
	awake               bool // stands in the engine's list
	healthy             bool // streak has lasted long enough
	frozenAfter         int
	same                int
	last                float64
	low, high           float64       // the band: see lookAll; empty where it is shut
	inside              [2]float64    // where it stands: Inside of all its rules
	value               float64       // the last that was not missing
	sloped              bool          // has rules on its rate
	warming             time.Duration // the longest span of them
	ready               time.Duration // when the streak is long enough
}

// New makes the limits of an envelope. from says who feeds each measured channel, how
// works the others out from them, readyAfter is how long a channel must be fresh before
// a start. Readings of the named channels go up.
func New(up Above, env *rules.Envelope, how Derivation, from *[rules.ChannelCount]rules.Origin, readyAfter time.Duration, named []rules.ChannelID) (*Limits, error) {
	l := &Limits{above: up, env: env, readyAfter: readyAfter}
	l.layFed(how, from)
	if err := l.lay(how, named); err != nil {
		return nil, err
	}
	return l, nil
}

// lay sorts rules, permissives and calculators by channel.
func (l *Limits) lay(how Derivation, named []rules.ChannelID) error {
	l.runs = make([]ruleRun, len(l.env.Rules))
	l.permHolds = make([]bool, len(l.env.Permissives))
	for i := range l.env.Rules {
		r := &l.env.Rules[i]
		if r.Watch == rules.NoChannel || r.Watch >= rules.ChannelCount {
			return fmt.Errorf("limits: rule %q watches no known channel", r.Name)
		}
		l.runs[i].due = rules.Never
		l.channels[r.Watch].rules = append(l.channels[r.Watch].rules, int32(i))
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			l.runs[i].slope = NewSlope(r.Over)
		}
	}
	for i := range l.env.Permissives {
		c := &l.channels[l.env.Permissives[i].Watch]
		c.perms = append(c.perms, int32(i))
	}
	calcs, err := how.Calculators(l.env, func(id rules.ChannelID) bool {
		return l.env.Watches(id) || slices.Contains(named, id) && l.fed[id]
	})
	if err != nil {
		return fmt.Errorf("limits: %w", err)
	}
	// Sorted by trigger; among equals what feeds another stays first.
	slices.SortStableFunc(calcs, func(a, b Calculator) int { return int(a.Trigger()) - int(b.Trigger()) })
	l.calcs = calcs
	l.calcDue = make([]time.Duration, len(calcs))
	for i, c := range calcs {
		l.calcDue[i] = c.Due()
		by := &l.channels[c.Trigger()]
		by.calcs = append(by.calcs, int32(i))
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		l.layChannel(id, named)
	}
	l.awake = make([]rules.ChannelID, 0, len(l.used))
	l.waiting, l.acting = make([]int32, 0, len(l.runs)), make([]int32, 0, 2*len(l.runs))
	return nil
}

func (l *Limits) layChannel(id rules.ChannelID, named []rules.ChannelID) {
	c := &l.channels[id]
	c.id = id
	c.stale, c.ready, c.streak, c.shortest = rules.Never, rules.Never, rules.Never, rules.Never
	c.inside = [2]float64{math.Inf(-1), math.Inf(1)}
	c.shut()
	needed := false
	for _, r := range c.rules {
		rule := &l.env.Rules[r]
		low, high := rule.Band()
		c.inside = [2]float64{max(c.inside[0], low), min(c.inside[1], high)}
		c.shortest = min(c.shortest, rule.StaleAfter)
		if l.runs[r].slope != nil {
			c.sloped, c.warming = true, max(c.warming, rule.Over)
		}
		if rule.Stop != rules.NoStop && rule.WhenMissing == rules.MissingTrips && l.fed[id] {
			needed = true
		}
		if rule.FrozenAfter > 0 && (c.frozenAfter == 0 || rule.FrozenAfter < c.frozenAfter) {
			c.frozenAfter = rule.FrozenAfter
		}
	}
	if len(c.rules) == 0 {
		// No rule of its own, but one on a channel worked out from it may be:
		// what rests on a frozen channel would stand still and look well.
		c.frozenAfter = id.Channel().FrozenAfter
	}
	for _, p := range c.perms {
		c.shortest = min(c.shortest, l.env.Permissives[p].StaleAfter)
	}
	if c.shortest != rules.Never {
		l.used = append(l.used, id)
	}
	if needed {
		l.needed = append(l.needed, id)
	}
	c.named = slices.Contains(named, id)
}

// layFed works out once what each channel rests on and whether that is fed; it is
// asked on the hot path.
func (l *Limits) layFed(how Derivation, from *[rules.ChannelCount]rules.Origin) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		l.needs[id], l.helps[id] = how.Needs(id), how.Helps(id)
		l.fed[id] = len(l.needs[id]) > 0
		for _, n := range l.needs[id] {
			l.fed[id] = l.fed[id] && from[n] != rules.NotFed
		}
	}
}
