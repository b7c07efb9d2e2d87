package limits

import (
	"math"
	"time"

	"downhaul/rules"
)

// cautionEnds is how long a value must stay back until its caution ends; ours.
const cautionEnds = 2 * time.Second

// ruleRun is what a rule remembers. Its value demand and its missing demand
// stand apart: they may carry different stops.
type ruleRun struct {
	Rule
	due       time.Duration // end of the on-delay; Never when it does not run
	eased     time.Duration // since when it is back from its caution; Never while it is not
	beyond    bool          // past the limit and not back by the deadband
	waiting   bool          // stands in the list
	goMissing bool          // turned stale at this very instant
	slope     *Slope        // of rate rules
	heard     bool
	last      time.Duration // of the last good value, for the slope
	rated     time.Duration // of the last good rate; before that, of the first good value
}

// Take takes one value of a channel that is not derived here.
func (l *Limits) Take(at time.Duration, id rules.ChannelID, r Result) {
	if id != rules.NoChannel && id < rules.ChannelCount {
		l.publish(at, id, r)
	}
}

// publish takes one value of a channel, measured or derived: plausibility and
// freezing first, then the table, the rules of the channel, and what is derived
// from it.
func (l *Limits) publish(at time.Duration, id rules.ChannelID, r Result) {
	c := &l.channels[id]
	if r.Quality == rules.Good || r.Quality == rules.Doubtful {
		switch {
		case id.Plausible(r.Value): // no NaN and no infinity is
			r.Value += 0 // −0 becomes 0
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			r = Result{Cause: rules.NotANumber}
		default:
			r = Result{Cause: rules.Implausible}
		}
	} else {
		r.Value, r.Quality = 0, rules.Missing
	}
	if c.frozenAfter > 0 && r.Quality == rules.Good {
		if c.Heard && r.Value == c.last {
			c.same++
		} else {
			c.same = 1
		}
		c.last = r.Value
		if c.same >= c.frozenAfter {
			r = Result{Cause: rules.Frozen}
		}
	}
	l.table[id] = Reading{At: at, Value: r.Value, Quality: r.Quality, Cause: r.Cause}
	if r.Quality == rules.Good {
		c.Heard = true
		c.Good = at
		if c.shortest != rules.Never {
			l.refresh(at, c)
		}
	}
	if r.Quality != rules.Missing {
		c.value = r.Value
		if r.Quality != rules.Good || !(c.low <= r.Value && r.Value <= c.high) {
			l.lookAll(at, c, r)
		}
	}
	if MayBeCut(r) {
		l.doubt(at, c, r)
	}
	if c.sloped && r.Quality == rules.Missing {
		for _, i := range c.rules {
			if s := l.runs[i].slope; s != nil {
				s.Reset() // no rate across what was not seen
			}
		}
	}
	l.lookPermissives(c, r)
	if c.named {
		l.above.Read(at, id, r)
	}
	l.calculate(at, c)
}

// lookAll shows a value to each rule of its channel. Where it leaves all of them at
// rest, good values that are Inside of all move none, and are shown to none: the band
// is open to them. What else moves a rule shuts it.
func (l *Limits) lookAll(at time.Duration, c *channelRun, r Result) {
	rest := r.Quality == rules.Good
	for _, i := range c.rules {
		rest = l.look(at, int(i), r.Value, r.Quality) && rest
	}
	switch {
	case !rest:
		c.shut()
	case l.judged == nil:
		c.low, c.high = c.inside[0], c.inside[1]
	case c.inside[0] <= r.Value && r.Value <= c.inside[1]:
		// Of what lies between two that were told nobody needs to be told.
		c.low, c.high = min(c.low, r.Value), max(c.high, r.Value)
	}
}

// shut has the next value be shown to every rule of the channel.
func (c *channelRun) shut() { c.low, c.high = math.Inf(1), math.Inf(-1) }

// MayBeCut reports whether a reading is the silence of an anemometer that may be
// a calm or a cut wire.
func MayBeCut(r Result) bool {
	return r.Quality == rules.Doubtful && (r.Cause == rules.MayBeCut || r.Cause == rules.SilentLong)
}

// doubt takes what may be a calm or a cut wire: each rule on it cautions. It is
// borne for as long as it may be a calm, with nothing in the air without end, and
// clears nothing that was missing; then the channel is missing in its own time.
func (l *Limits) doubt(at time.Duration, c *channelRun, r Result) {
	if c.Since != rules.Never && !c.missed && (r.Cause == rules.MayBeCut || !l.above.InForce(rules.Airborne)) {
		c.Good = at
	}
	for _, i := range c.rules {
		if !l.runs[i].Cautions {
			l.caution(at, int(i), true, ByDoubt)
		}
	}
}

// calculate works out what is derived from c, which has a new reading.
func (l *Limits) calculate(at time.Duration, c *channelRun) {
	for _, i := range c.calcs {
		out, ok := l.ask(at, int(i), false)
		l.above.Wake(l.calcDue[i])
		if ok {
			l.publish(at, l.calcs[i].Output(), out)
		}
	}
}

// refresh takes a Good sample for the freshness of its channel.
func (l *Limits) refresh(at time.Duration, c *channelRun) {
	if c.Since == rules.Never {
		c.Since = at
		c.ready = at + max(l.readyAfter, c.warming)
		l.wakeChannel(c, c.ready)
	}
	due := at + c.shortest
	if c.stale == rules.Never || due < c.stale {
		c.stale = due
		l.wakeChannel(c, due)
	}
	if !c.missed {
		return
	}
	c.missed = false
	for _, i := range c.rules {
		switch run := &l.runs[i]; {
		case !run.Asks[ByMissing]:
		case run.slope != nil:
			c.missed = true // a rate is what ends it: see rate
		default:
			run.Asks[ByMissing] = false
			l.above.Asked(at, int(i), ByMissing)
		}
	}
}

// rateGap returns how far apart two values may be and still give a rate: a rate
// across more is an average in which a steep change disappears.
func rateGap(rule *rules.Rule) time.Duration {
	return min(rule.StaleAfter, max(rule.Over, rule.Watch.Stale()))
}

// rate takes a value for the slope of rule i. A rule that hears values and gets
// no rate from them, because something is missing in between again and again, or
// they come too far apart for its span, watches nothing: it is missing.
func (l *Limits) rate(at time.Duration, i int, v float64, q rules.Quality) (float64, bool) {
	rule, run := &l.env.Rules[i], &l.runs[i]
	if at-run.last > rateGap(rule) {
		run.slope.Reset()
	}
	if q != rules.Good {
		return run.slope.Peek(at, v)
	}
	rate, ok := run.slope.Add(at, v)
	run.last = at
	switch {
	case ok:
		run.rated = at
		if run.Asks[ByMissing] {
			run.Asks[ByMissing] = false
			l.above.Asked(at, i, ByMissing)
		}
	case !run.heard:
		run.heard, run.rated = true, at
	case !run.Asks[ByMissing] && at-run.rated >= rule.Over+rule.StaleAfter:
		l.channels[rule.Watch].missed = true
		l.ruleMissing(at, i)
	}
	return rate, ok
}

// channelStale is called when a channel's cached staleness deadline has come.
// It has the rules that turn missing now act.
func (l *Limits) channelStale(due time.Duration, c *channelRun) {
	c.stale = rules.Never
	age := due - c.Good
	for _, i := range c.rules {
		r := &l.env.Rules[i]
		if l.runs[i].Asks[ByMissing] {
			continue
		}
		if age >= r.StaleAfter {
			l.runs[i].goMissing = true
			c.missed = true
			l.acting = append(l.acting, i)
		} else {
			c.stale = min(c.stale, c.Good+r.StaleAfter)
		}
	}
	for _, p := range c.perms {
		limit := l.env.Permissives[p].StaleAfter
		if age >= limit {
			l.permHolds[p] = false // told below: no permissive is staler than shortest
		} else {
			c.stale = min(c.stale, c.Good+limit)
		}
	}
	if age >= c.shortest {
		c.Since, c.ready, c.Healthy = rules.Never, rules.Never, false
		l.above.Unsettled()
	}
}

// look judges one value against one rule. A Doubtful value may count against
// the limit, but never clears anything. It reports whether the rule is at rest: no
// value Inside would move it.
func (l *Limits) look(at time.Duration, i int, v float64, q rules.Quality) bool {
	rule, run := &l.env.Rules[i], &l.runs[i]
	if run.slope != nil {
		rate, ok := l.rate(at, i, v, q)
		if !ok {
			return false
		}
		v = rate
	}
	run.Value, run.Seen = v, true
	side := rule.Side(v)
	if l.judged != nil && l.above.InForce(rule.While) {
		l.judged(at, i, v)
	}
	switch side {
	case rules.Beyond:
		run.Past = v
		if !run.beyond {
			run.beyond = true
			if rule.Lasting == 0 {
				run.Asks[ByValue] = true
				l.above.Asked(at, i, ByValue)
			} else {
				l.wait(i, at+rule.Lasting)
			}
		}
	case rules.Inside, rules.InCaution:
		if run.beyond && q == rules.Good {
			run.beyond = false
			run.due = rules.Never
			if run.Asks[ByValue] {
				run.Asks[ByValue] = false
				l.above.Asked(at, i, ByValue)
			}
		}
	}
	switch {
	case !run.Cautions && side != rules.Inside && (rule.HasCaution || rule.Stop == rules.NoStop && side == rules.Beyond):
		l.caution(at, i, true, ByValue)
	case !run.Cautions:
	case q != rules.Good || !cautionOver(rule, v) || run.Asks[ByMissing] && rule.WhenMissing == rules.MissingCautions:
		run.eased = rules.Never
	case run.eased == rules.Never:
		run.eased = at
	case at-run.eased >= cautionEnds:
		l.caution(at, i, false, ByValue)
	}
	if (q == rules.Good || l.table[rule.Watch].Cause != rules.Stale) && at < l.toldUntil { // else silence made it, or came first
		run.toldAs(rule, side, v, q)
	}
	run.Back = run.Back || !run.beyond // the next time is another
	return side == rules.Inside && !run.beyond && !run.Cautions && run.Left == rules.Inside
}

// cautionOver reports whether v is back from the caution by the rule's deadband.
func cautionOver(rule *rules.Rule, v float64) bool {
	return rule.Side(v+rule.Deadband) == rules.Inside && rule.Side(v-rule.Deadband) == rules.Inside
}

// lasted: the on-delay of a rule ran out with no value back inside.
func (l *Limits) lasted(due time.Duration, i int) {
	run := &l.runs[i]
	run.due = rules.Never
	run.Asks[ByValue] = true
	l.above.Asked(due, i, ByValue)
}

// ruleMissing: a rule's channel has just become missing for it.
func (l *Limits) ruleMissing(due time.Duration, i int) {
	run, rule := &l.runs[i], &l.env.Rules[i]
	run.Asks[ByMissing], run.eased = true, rules.Never
	if rule.WhenMissing == rules.MissingCautions || rule.MissingStop == rules.NoStop {
		if !run.Cautions {
			l.caution(due, i, true, ByMissing)
		}
		return
	}
	l.above.Asked(due, i, ByMissing)
}

func (l *Limits) caution(at time.Duration, i int, on bool, why Why) {
	l.runs[i].Cautions, l.runs[i].eased = on, rules.Never
	l.channels[l.env.Rules[i].Watch].shut()
	l.above.Cautioned(at, i, why)
}

func (l *Limits) lookPermissives(c *channelRun, r Result) {
	for _, i := range c.perms {
		holds := r.Quality == rules.Good && l.env.Permissives[i].Holds(r.Value)
		if r.Quality == rules.Missing {
			continue // staleness decides
		}
		if l.permHolds[i] != holds {
			l.permHolds[i] = holds
			l.above.Unsettled()
		}
	}
}

// toldAs takes a value that was told, not made by silence.
func (r *ruleRun) toldAs(rule *rules.Rule, side rules.Side, v float64, q rules.Quality) {
	switch {
	case side == rules.Beyond:
		r.Left, r.Told = rules.Beyond, v
	case r.beyond && r.Left == rules.Beyond: // not back by the deadband
	case side != rules.Inside && rule.HasCaution:
		r.Left, r.Told = rules.InCaution, v
	case !r.Cautions || q == rules.Good && cautionOver(rule, v):
		r.Left = rules.Inside
	}
}
