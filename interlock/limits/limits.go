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
	old      [rules.ChannelCount]time.Duration        // how old a reading may be and still be known
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

// Why states what a demand or a caution of a rule rests on.
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
	id     rules.ChannelID
	named  bool // its readings go up
	missed bool // a rule has turned missing since the last Good sample
	Health
	stale    time.Duration // next staleness deadline
	shortest time.Duration // shortest staleness of its rules and permissives; Never without any

	// What hangs on it, by index: rules and permissives in the order of the file, and
	// calculators.
	rules, perms, calcs []int32
	awake               bool // stands in the engine's list
	frozenAfter         int
	same                int
	last                float64
	low, high           float64       // the band: see lookAll; empty where it is shut
	inside              [2]float64    // where it stands: Inside of all its rules
	value               float64       // the last that was not missing
	sloped              bool          // has rules on its rate
	warming             time.Duration // the longest span of them
	ready               time.Duration // when it has been fresh for long enough
}

// New makes the limits of an envelope. from says who feeds each measured channel, how
// works the others out from them, readyAfter is how long a channel must be fresh before
// a start. Readings of the named channels go up.
func New(up Above, env *rules.Envelope, how Derivation, from *[rules.ChannelCount]rules.Origin, readyAfter time.Duration, named []rules.ChannelID) (*Limits, error) {
	l := &Limits{above: up, env: env, readyAfter: readyAfter}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		l.needs[id], l.helps[id], l.old[id] = how.Needs(id), how.Helps(id), how.Stale(id)
		l.fed[id] = len(l.needs[id]) > 0
		for _, n := range l.needs[id] {
			l.fed[id] = l.fed[id] && from[n] != rules.NotFed
		}
	}
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
		l.runs[i].due, l.runs[i].eased = rules.Never, rules.Never
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
	c.stale, c.ready, c.Since, c.shortest = rules.Never, rules.Never, rules.Never, rules.Never
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

// Health is how a channel stands.
type Health struct {
	Heard   bool          // a Good sample came once
	Good    time.Duration // when the last one came
	Since   time.Duration // since when it is fresh; Never if it is not
	Healthy bool          // fresh for long enough
}

// Health returns how a channel stands.
func (l *Limits) Health(id rules.ChannelID) Health { return l.channels[id].Health }

// Needed are the channels that a rule needs to start; it must not be changed.
func (l *Limits) Needed() []rules.ChannelID { return l.needed }

// Needs are the measured channels that id rests on; they must not be changed.
func (l *Limits) Needs(id rules.ChannelID) []rules.ChannelID { return l.needs[id] }

// Feeds reports whether every channel that id rests on is fed on this pad.
func (l *Limits) Feeds(id rules.ChannelID) bool { return l.fed[id] }

// Reading returns the last reading of a channel, however old.
func (l *Limits) Reading(id rules.ChannelID) Reading { return l.table[id] }

// Stale is how old a reading of a channel may be, Fresh the last one if it is no older.
func (l *Limits) Stale(id rules.ChannelID) time.Duration { return l.old[id] }
func (l *Limits) Fresh(id rules.ChannelID, at time.Duration) Reading {
	return l.table.Fresh(id, at, l.old[id])
}

// Holds reports for each permissive whether it holds; it must not be changed.
func (l *Limits) Holds() []bool { return l.permHolds }

// Rule is a rule as it stands.
type Rule struct {
	Asks     [2]bool // a stop, by its value and by its missing channel
	Cautions bool
	Value    float64 // the last one it looked at (the rate for rate rules)
	Seen     bool    // Value is set
	Past     float64 // the last value past the limit
	// Left states how far the last value that was told, not made by silence, had left
	// caution or limit and was not back; Told is that value.
	Left rules.Side
	Told float64
	Back bool // from its limit, since Named
}

// Rule returns rule i as it stands.
func (l *Limits) Rule(i int) Rule {
	now := l.runs[i].Rule
	if l.runs[i].slope == nil {
		now.Value = l.channels[l.env.Rules[i].Watch].value // also of those inside the band
	}
	return now
}

// ToldUntil has what comes at that time or later not count as told: it comes behind a
// silence of the craft.
func (l *Limits) ToldUntil(at time.Duration) { l.toldUntil = at }

// Named forgets whether rule i was back from its limit.
func (l *Limits) Named(i int) {
	l.runs[i].Back = false
	l.channels[l.env.Rules[i].Watch].shut()
}

// Reading is the last sample of a channel.
type Reading struct {
	// At is the engine time of the sample; meaningless while Quality is
	// Missing with cause NeverHeard (the zero Reading).
	At      time.Duration
	Value   float64 // SI; 0 when Missing, never NaN
	Quality rules.Quality
	Cause   rules.Cause
}

// Table holds the last reading of every channel, by ID.
type Table [rules.ChannelCount]Reading

// Fresh gives the last reading of id if it is Good or Doubtful and no older
// than limit at the instant at. Anything else is Missing, with the cause.
func (t *Table) Fresh(id rules.ChannelID, at, limit time.Duration) Reading {
	r := t[id]
	if r.Quality == rules.Missing {
		if r.Cause == rules.NoCause {
			r.Cause = rules.NeverHeard
		}
		return r
	}
	if at-r.At > limit {
		return Reading{At: r.At, Quality: rules.Missing, Cause: rules.Stale}
	}
	return r
}

// Result is a value of a channel, as it was measured or as a calculator publishes it.
type Result struct {
	Value   float64 // SI; 0 when Missing, never NaN
	Quality rules.Quality
	Cause   rules.Cause
}

// Calculator works out one derived channel. It has one trigger channel and may
// read any other channel's last value, with its age, from the table.
type Calculator interface {
	// Trigger is the channel whose every sample calls Sample.
	Trigger() rules.ChannelID
	// Output is the derived channel.
	Output() rules.ChannelID
	// Sample is called after the trigger's reading was stored in the table,
	// also when that reading is Missing. ok false publishes nothing.
	Sample(at time.Duration, t *Table) (r Result, ok bool)
	// Due is the next instant at which the output changes without any sample,
	// rules.Never if there is none. It may be early, never late.
	Due() time.Duration
	// Tick is called at the instant Due gave (never later than the next
	// Sample at the same time). ok false publishes nothing; either way Due
	// must move on.
	Tick(at time.Duration, t *Table) (r Result, ok bool)
	// Clone is a copy that shares nothing that changes.
	Clone() Calculator
}

// Derivation is how channels are derived from others. It is asked once, at the start.
type Derivation interface {
	// Needs returns the measured channels that id rests on: each must be fed for it to
	// come. Helps returns those that it looks at when they are heard.
	Needs(id rules.ChannelID) []rules.ChannelID
	Helps(id rules.ChannelID) []rules.ChannelID
	// Stale returns how old a reading may be: its channel's own time, or a longer one.
	Stale(id rules.ChannelID) time.Duration
	// Calculators makes what works out the wanted channels, and what those rest on,
	// each after the ones it rests on. The error lists every fault in their way.
	Calculators(env *rules.Envelope, wanted func(rules.ChannelID) bool) ([]Calculator, error)
}
