package limits

import (
	"time"

	"downhaul/rules"
)

// Health is how a channel stands.
type Health struct {
	Heard   bool          // a Good sample came once
	Good    time.Duration // when the last one came
	Since   time.Duration // since when it is fresh; Never if it is not
	Healthy bool          // fresh for long enough
}

// Health returns how a channel stands.
func (l *Limits) Health(id rules.ChannelID) Health {
	c := &l.channels[id]
	return Health{Heard: c.heard, Good: c.good, Since: c.streak, Healthy: c.healthy}
}

// Needed are the channels that a rule needs to start; it must not be changed.
func (l *Limits) Needed() []rules.ChannelID { return l.needed }

// Needs are the measured channels that id rests on; they must not be changed.
func (l *Limits) Needs(id rules.ChannelID) []rules.ChannelID { return l.needs[id] }

// Feeds reports whether every channel that id rests on is fed on this pad.
func (l *Limits) Feeds(id rules.ChannelID) bool { return l.fed[id] }

// Reading returns the last reading of a channel, however old.
func (l *Limits) Reading(id rules.ChannelID) Reading { return l.table[id] }

// Fresh returns the last reading of a channel if it is no older than its staleness.
func (l *Limits) Fresh(id rules.ChannelID, at time.Duration) Reading {
	return l.table.Fresh(id, at, id.Stale())
}

// Holds says of each permissive whether it holds; it must not be changed.
func (l *Limits) Holds() []bool { return l.permHolds }

// Rule is a rule as it stands.
type Rule struct {
	Asks     [2]bool // a stop, by its value and by its missing channel
	Cautions bool
	Value    float64 // the last one it looked at (the rate for rate rules)
	Seen     bool    // Value is set
	Past     float64 // the last value past the limit
	// Left says how far the last value that was told, not made by silence, had left
	// caution or limit and was not back; Told is that value.
	Left rules.Side
	Told float64
	Back bool // from its limit, since Named
}

// Rule returns rule i as it stands.
func (l *Limits) Rule(i int) Rule {
	r, value := &l.runs[i], l.channels[l.env.Rules[i].Watch].value
	if r.slope != nil {
		value = r.rate
	}
	return Rule{Asks: [2]bool{r.demand, r.missing}, Cautions: r.caution, Value: value, Seen: r.seen, Past: r.past, Left: r.excursion, Told: r.fresh, Back: r.back}
}

// ToldUntil has what comes at that time or later not count as told: it comes behind a
// silence of the craft.
func (l *Limits) ToldUntil(at time.Duration) { l.toldUntil = at }

// Named forgets whether rule i was back from its limit.
func (l *Limits) Named(i int) {
	l.runs[i].back = false
	l.channels[l.env.Rules[i].Watch].shut()
}

// Cause returns why the channel of rule i is missing or in doubt for it.
func (l *Limits) Cause(at time.Duration, i int) rules.Cause {
	rule := &l.env.Rules[i]
	cause := l.table[rule.Watch].Cause
	if cause != rules.NoCause || !l.runs[i].missing {
		return cause
	}
	if l.runs[i].slope != nil && at < l.channels[rule.Watch].good+rule.StaleAfter {
		return rules.NotFilled // values come, and give no rate
	}
	return rules.Stale
}
