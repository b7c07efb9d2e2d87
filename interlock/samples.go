package interlock

import (
	"math"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// ruleRun is what a rule remembers. Its value demand and its missing demand
// stand apart: they may carry different stops.
type ruleRun struct {
	due         time.Duration // end of the on-delay; Never when it does not run
	beyond      bool          // past the limit and not back by the deadband
	demand      bool          // the value's stop demand stands
	missing     bool          // the missing channel's demand stands
	waiting     bool          // stands in the engine's list
	goMissing   bool          // turned stale at this very instant
	caution     bool
	cautionTold bool    // caution, and its phase is on
	inForce     [2]bool // demand, missing: counted in standing
	listed      [2]bool // told once in this trip episode
	value       float64 // see valueOf
	past        float64 // last value past the limit
	seen        bool    // value is set
	// Between these the rule is Inside and a sample changes nothing.
	calmLow, calmHigh float64
	slope             *derived.Slope
	heard             bool
	last              time.Duration // of the last good value, for the slope
	rated             time.Duration // of the last good rate; before that, of the first good value
	// Least headroom so far, when the engine is asked to track it. It decides
	// nothing.
	tracked bool
	least   float64
	leastAt time.Duration
	// The values that were tracked lie between these.
	trackLow, trackHigh float64
}

// calm says that v changes nothing for the rule: it is well inside, and so was
// what came before. Most samples of a day are.
func (r *ruleRun) calm(v float64) bool {
	return v >= r.calmLow && v <= r.calmHigh && !r.beyond && !r.caution
}

// known says that the headroom of v was tracked already: v lies between two
// values that were.
func (r *ruleRun) known(v float64) bool {
	return r.tracked && v >= r.trackLow && v <= r.trackHigh
}

// quiet is where calm, and with tracking known as well, hold for every value.
func (r *ruleRun) quiet(tracking bool) (low, high float64) {
	switch {
	case r.beyond || r.caution || tracking && !r.tracked:
		return math.Inf(1), math.Inf(-1)
	case tracking:
		return max(r.calmLow, r.trackLow), min(r.calmHigh, r.trackHigh)
	}
	return r.calmLow, r.calmHigh
}

func (r *ruleRun) track(at time.Duration, v, headroom float64) {
	if !r.tracked {
		r.trackLow, r.trackHigh = v, v
	}
	r.trackLow, r.trackHigh = min(r.trackLow, v), max(r.trackHigh, v)
	if !r.tracked || headroom < r.least {
		r.tracked, r.least, r.leastAt = true, headroom, at
	}
}

// sample takes one measured sample: plausibility and freezing first, then the
// table, the rules of the channel, and what is derived from it.
func (e *Engine) sample(at time.Duration, s *Sample) {
	if s.Channel == rules.NoChannel || s.Channel >= rules.ChannelCount {
		return
	}
	c := &e.channels[s.Channel]
	if c.plain && s.Quality == rules.Good && s.Value >= c.low && s.Value <= c.high {
		e.plainSample(at, s, c)
		c.steady = c.steady || e.steadies(c)
		return
	}
	e.publish(at, s.Channel, derived.Result{Value: s.Value, Quality: s.Quality, Cause: s.Cause})
	c.steady = e.steadies(c)
}

// plainSample is publish for a good sample of a channel that is not watched for
// freezing, has no permissives, and from which nothing is derived.
func (e *Engine) plainSample(at time.Duration, s *Sample, c *channelRun) {
	v := s.Value + 0 // −0 becomes 0
	c.heard, c.good = true, at
	r := &e.table[s.Channel]
	r.At, r.Value, r.Quality, r.Cause = at, v, rules.Good, rules.NoCause
	if c.used {
		e.refresh(at, c)
		e.judge(at, c, v, rules.Good)
	}
	if c.builtin {
		e.builtins(at, s.Channel, derived.Result{Value: v, Quality: rules.Good})
	}
}

// judge shows a value to the rules of its channel. Most values of a day change
// nothing for any of them: between quietLow and quietHigh one look does for
// all, however many they are.
func (e *Engine) judge(at time.Duration, c *channelRun, v float64, q rules.Quality) {
	if v >= c.quietLow && v <= c.quietHigh {
		c.calm, c.calmed, c.late = v, true, nil
		return
	}
	e.judgeEach(at, c, v, q)
}

func (e *Engine) judgeEach(at time.Duration, c *channelRun, v float64, q rules.Quality) {
	c.workOut()
	if c.calmed {
		c.calmed = false
		for _, i := range e.order[c.rulesFrom:c.rulesTo] {
			e.runs[i].value, e.runs[i].seen = c.calm, true
		}
	}
	low, high := c.low, c.high // what is beyond them is no value
	for _, i := range e.order[c.rulesFrom:c.rulesTo] {
		run := &e.runs[i]
		if run.calm(v) && (!e.tracking || run.known(v)) {
			run.value, run.seen = v, true
		} else {
			e.look(at, int(i), v, q)
		}
		l, h := run.quiet(e.tracking)
		low, high = max(low, l), min(high, h)
	}
	c.quietLow, c.quietHigh = low, high
}

// postpone lets what is derived from c wait, where bounds on it show that it
// changes nothing for any rule but the last value, and says whether all of it
// does. That value is worked out when somebody looks at it: see workOut.
func (e *Engine) postpone(at time.Duration, c *channelRun) bool {
	for _, b := range e.bounded[c.calcFrom:c.calcTo] {
		if b == nil {
			return false
		}
		id := b.Output()
		out := &e.channels[id]
		low, high, from, ok := b.Bound(at, &e.table)
		if !ok || !(low >= out.quietLow && high <= out.quietHigh) || e.refreshes(at, out) {
			return false
		}
		if out.late == nil { // else it is b: nothing else owes a value there
			out.late = b
		}
		out.heard, out.good, out.calmed, out.from = true, at, true, from
		r := &e.table[id]
		r.At, r.Quality, r.Cause = at, rules.Good, rules.NoCause
	}
	return true
}

// workOut works out the value that a channel owes.
func (c *channelRun) workOut() {
	if c.late != nil {
		c.calm, c.late = c.late.Late(c.from), nil
	}
}

// reading is the last reading of a channel, whole.
func (e *Engine) reading(id rules.ChannelID) *derived.Reading {
	if c := &e.channels[id]; c.late != nil {
		c.workOut()
		e.table[id].Value = c.calm
	}
	return &e.table[id]
}

// unquiet has the next value of a channel shown to each of its rules.
func (c *channelRun) unquiet() { c.quietLow, c.quietHigh = math.Inf(1), math.Inf(-1) }

// valueOf is the last value that rule i looked at (the rate for rate rules),
// and whether there was any.
func (e *Engine) valueOf(i int) (v float64, seen bool) {
	if c := &e.channels[e.env.Rules[i].Watch]; c.calmed {
		e.reading(c.id)
		return c.calm, true
	}
	return e.runs[i].value, e.runs[i].seen
}

func (e *Engine) publish(at time.Duration, id rules.ChannelID, r derived.Result) {
	c := &e.channels[id]
	c.workOut()
	if r.Quality != rules.Missing {
		switch {
		case id.Plausible(r.Value): // no NaN and no infinity is
			r.Value += 0 // −0 becomes 0
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			r = derived.Result{Cause: rules.NotANumber}
		default:
			r = derived.Result{Cause: rules.Implausible}
		}
	} else {
		r.Value = 0
	}
	if c.frozenAfter > 0 && r.Quality == rules.Good {
		if c.heard && r.Value == c.last {
			c.same++
		} else {
			c.same = 1
		}
		c.last = r.Value
		if c.same >= c.frozenAfter {
			r = derived.Result{Cause: rules.Frozen}
		}
	}
	e.table[id] = derived.Reading{At: at, Value: r.Value, Quality: r.Quality, Cause: r.Cause}
	if r.Quality == rules.Good {
		c.heard = true
		c.good = at
		if c.used {
			e.refresh(at, c)
		}
	}
	if r.Quality != rules.Missing {
		e.judge(at, c, r.Value, r.Quality)
	}
	if mayBeCut(r) {
		e.doubt(at, c, r)
	}
	if c.sloped && r.Quality == rules.Missing {
		for _, i := range e.order[c.rulesFrom:c.rulesTo] {
			if s := e.runs[i].slope; s != nil {
				s.Reset() // no rate across what was not seen
			}
		}
	}
	if c.permsTo > c.permsFrom {
		e.lookPermissives(c, r)
	}
	if c.builtin {
		e.builtins(at, id, r)
	}
	e.calculate(at, c)
}

// doubt takes what may be a calm or a cut wire: each rule on it cautions. It is
// borne for as long as it may be a calm, with nothing in the air without end, and
// clears nothing that was missing; then the channel is missing in its own time.
func (e *Engine) doubt(at time.Duration, c *channelRun, r derived.Result) {
	if c.streak != rules.Never && !c.missed && (r.Cause == rules.MayBeCut || !e.airborne) {
		c.good = at
	}
	for _, i := range e.order[c.rulesFrom:c.rulesTo] {
		if !e.runs[i].caution {
			e.caution(at, int(i), true, ReasonDoubt)
		}
	}
}

// calculate works out what is derived from c, which has a new reading.
func (e *Engine) calculate(at time.Duration, c *channelRun) {
	for i := c.calcFrom; i < c.calcTo; i++ {
		out, ok := e.calcs[i].Sample(at, &e.table)
		due := e.calcs[i].Due()
		e.calcDue[i] = due
		e.wake(due)
		if ok {
			e.publish(at, e.calcs[i].Output(), out)
		}
	}
}

// refresh takes a Good sample for the freshness of its channel. Nearly always
// the channel was fresh and no deadline comes sooner by it.
func (e *Engine) refresh(at time.Duration, c *channelRun) {
	if e.refreshes(at, c) {
		e.refreshed(at, c)
	}
}

// refreshes says that a Good sample changes more than the time of the last one.
func (e *Engine) refreshes(at time.Duration, c *channelRun) bool {
	return at+c.shortest < c.stale || c.streak == rules.Never || c.missed
}

func (e *Engine) refreshed(at time.Duration, c *channelRun) {
	if c.streak == rules.Never {
		c.streak = at
		c.ready = at + max(e.site.ReadyAfter, c.warming)
		e.wakeChannel(c, c.ready)
	}
	due := at + c.shortest
	if c.stale == rules.Never || due < c.stale {
		c.stale = due
		e.wakeChannel(c, due)
	}
	if !c.missed {
		return
	}
	c.missed = false
	for _, i := range e.order[c.rulesFrom:c.rulesTo] {
		switch run := &e.runs[i]; {
		case !run.missing:
		case run.slope != nil:
			c.missed = true // a rate is what ends it: see rate
		default:
			run.missing = false
			e.demandMoved(at, int(i), missingDemand)
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
func (e *Engine) rate(at time.Duration, i int, v float64, q rules.Quality) (float64, bool) {
	rule, run := &e.env.Rules[i], &e.runs[i]
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
		if run.missing {
			run.missing = false
			e.demandMoved(at, i, missingDemand)
		}
	case !run.heard:
		run.heard, run.rated = true, at
	case !run.missing && at-run.rated >= rule.Over+rule.StaleAfter:
		e.channels[rule.Watch].missed = true
		e.ruleMissing(at, i)
	}
	return rate, ok
}

// channelStale is called when a channel's cached staleness deadline has come.
// It has the rules that turn missing now act.
func (e *Engine) channelStale(due time.Duration, c *channelRun) {
	c.stale, c.steady = rules.Never, false
	age := due - c.good
	for _, i := range e.order[c.rulesFrom:c.rulesTo] {
		r := &e.env.Rules[i]
		if e.runs[i].missing {
			continue
		}
		if age >= r.StaleAfter {
			e.runs[i].goMissing = true
			c.missed = true
			e.acting = append(e.acting, i)
		} else {
			c.stale = min(c.stale, c.good+r.StaleAfter)
		}
	}
	for _, p := range e.perms[c.permsFrom:c.permsTo] {
		limit := e.env.Permissives[p].StaleAfter
		if age >= limit {
			e.permHolds[p] = false
			e.dirty = true
		} else {
			c.stale = min(c.stale, c.good+limit)
		}
	}
	if age >= c.shortest {
		c.streak, c.ready, c.healthy = rules.Never, rules.Never, false
		e.dirty = true
	}
}

// look judges one value against one rule. A Doubtful value may count against
// the limit, but never clears anything.
func (e *Engine) look(at time.Duration, i int, v float64, q rules.Quality) {
	rule, run := &e.env.Rules[i], &e.runs[i]
	if run.slope != nil {
		rate, ok := e.rate(at, i, v, q)
		if !ok {
			return
		}
		v = rate
	}
	run.value, run.seen = v, true
	side := rule.Side(v)
	if e.tracking && e.inForce(rule.While) {
		run.track(at, v, rule.Headroom(v))
	}
	switch side {
	case rules.Beyond:
		run.past = v
		if !run.beyond {
			run.beyond = true
			if rule.Lasting == 0 {
				run.demand = true
				e.demandMoved(at, i, valueDemand)
			} else {
				e.wait(i, at+rule.Lasting)
			}
		}
	case rules.Inside, rules.InCaution:
		if run.beyond && q == rules.Good {
			run.beyond = false
			run.due = rules.Never
			if run.demand {
				run.demand = false
				e.demandMoved(at, i, valueDemand)
			}
		}
	}
	if side == rules.Inside {
		if run.caution && q == rules.Good && !run.missingCautions(rule) && cautionOver(rule, v) {
			e.caution(at, i, false, ReasonRule)
		}
	} else if !run.caution && (rule.HasCaution || rule.Stop == rules.NoStop && side == rules.Beyond) {
		e.caution(at, i, true, ReasonRule)
	}
}

func (r *ruleRun) missingCautions(rule *rules.Rule) bool {
	return r.missing && rule.WhenMissing == rules.MissingCautions
}

// cautionOver says that v is back from the caution by the rule's deadband.
func cautionOver(rule *rules.Rule, v float64) bool {
	return rule.Side(v+rule.Deadband) == rules.Inside && rule.Side(v-rule.Deadband) == rules.Inside
}

// lasted: the on-delay of a rule ran out with no value back inside.
func (e *Engine) lasted(due time.Duration, i int) {
	run := &e.runs[i]
	run.due = rules.Never
	run.demand = true
	e.demandMoved(due, i, valueDemand)
}

// ruleMissing: a rule's channel has just become missing for it.
func (e *Engine) ruleMissing(due time.Duration, i int) {
	run, rule := &e.runs[i], &e.env.Rules[i]
	run.missing = true
	if rule.WhenMissing == rules.MissingCautions || rule.MissingStop == rules.NoStop {
		if !run.caution {
			e.caution(due, i, true, ReasonRuleMissing)
		}
		return
	}
	e.demandMoved(due, i, missingDemand)
}

func (e *Engine) caution(at time.Duration, i int, on bool, why Reason) {
	e.runs[i].caution = on
	e.channels[e.env.Rules[i].Watch].unquiet()
	e.cautionMoved(at, i, why)
}

// cautionMoved tells a caution that came, went, or whose phase began or ended.
func (e *Engine) cautionMoved(at time.Duration, i int, why Reason) {
	run := &e.runs[i]
	told := run.caution && e.inForce(e.env.Rules[i].While)
	if told == run.cautionTold {
		return
	}
	run.cautionTold = told
	if told {
		e.cautions++
		e.newCaution()
	} else {
		e.cautions--
	}
	e.dirty = true
	e.emit(e.ruleEffect(CautionEffect, at, i, why, told))
}

func (e *Engine) lookPermissives(c *channelRun, r derived.Result) {
	for _, i := range e.perms[c.permsFrom:c.permsTo] {
		holds := r.Quality == rules.Good && e.env.Permissives[i].Holds(r.Value)
		if r.Quality == rules.Missing {
			continue // staleness decides
		}
		if e.permHolds[i] != holds {
			e.permHolds[i] = holds
			e.dirty = true
		}
	}
}
