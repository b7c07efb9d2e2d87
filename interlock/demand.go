package interlock

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// demandRun is what was made of what a rule asks for.
type demandRun struct {
	inForce [2]bool // its demands, counted in standing
	listed  [2]bool // told once in this trip episode
	caution bool    // told: it cautions, and its phase is on
}

// counts reports whether a demand of the rule stands and its phase is on.
func (d *demandRun) counts() bool { return d.inForce[limits.ByValue] || d.inForce[limits.ByMissing] }

// fromLimits is the engine as the limits see it.
type fromLimits Engine

func (f *fromLimits) InForce(p rules.Phase) bool { return (*Engine)(f).inForce(p) }
func (f *fromLimits) Asked(at time.Duration, i int, why limits.Why) {
	(*Engine)(f).demandMoved(at, i, why)
}
func (f *fromLimits) Cautioned(at time.Duration, i int, why limits.Why) {
	(*Engine)(f).cautionMoved(at, i, why)
}
func (f *fromLimits) Read(at time.Duration, id rules.ChannelID, r limits.Result) {
	(*Engine)(f).builtins(at, id, r)
}
func (f *fromLimits) Wake(due time.Duration) { (*Engine)(f).wake(due) }
func (f *fromLimits) Unsettled()             { f.latch.unsettled() }

// demandMoved is called when a rule's demand came or went, or when its phase
// did. Only a demand whose rule is in force counts.
func (e *Engine) demandMoved(at time.Duration, i int, kind limits.Why) {
	rule, run := &e.env.Rules[i], &e.demands[i]
	stands, stop, grace := e.limits.Rule(i).Asks[kind], rule.Stop, rule.Grace
	if kind == limits.ByMissing {
		stands = stands && rule.WhenMissing == rules.MissingTrips
		stop, grace = rule.MissingStop, rule.MissingGrace
	}
	if stop == rules.NoStop {
		return
	}
	counts := stands && e.inForce(rule.While)
	if counts == run.inForce[kind] {
		return
	}
	run.inForce[kind] = counts
	if e.latch.stands(counts); !counts {
		if run.listed[kind] {
			e.latch.emit(e.ruleEffect(ClearEffect, at, i, reasonOf(kind), false))
		}
		if e.site.Duty == Watch || !e.latch.inEpisode {
			run.listed[kind] = false // what was told before a reset is told; the next time is another
		}
		return
	}
	event := EventControlled
	if stop == rules.Immediate {
		event = EventImmediate
	}
	why, behind := e.because(at, reasonOf(kind), i)
	if e.latch.recorded(event) && !run.listed[kind] {
		e.latch.record(e.list(at, i, kind))
	}
	e.latch.stop(at, stop, grace, why, behind)
}

// cautionMoved reports a caution that came, went, or whose phase began or ended.
func (e *Engine) cautionMoved(at time.Duration, i int, why limits.Why) {
	told := e.limits.Rule(i).Cautions && e.inForce(e.env.Rules[i].While)
	if told == e.demands[i].caution {
		return
	}
	e.demands[i].caution = told
	e.latch.cautioning(told)
	e.latch.emit(e.ruleEffect(CautionEffect, at, i, reasonOf(why), told))
}

// unlisted returns the next standing demand that is not on record, and has it listed.
func (e *Engine) unlisted(at time.Duration) (f Effect, ok bool) {
	for i := range e.demands {
		for kind, counts := range e.demands[i].inForce {
			if counts && !e.demands[i].listed[kind] {
				return e.list(at, i, limits.Why(kind)), true
			}
		}
	}
	return Effect{}, false
}

// list returns the trip that the demand of a rule is on record.
func (e *Engine) list(at time.Duration, i int, kind limits.Why) Effect {
	e.demands[i].listed[kind] = true
	f := e.ruleEffect(TripEffect, at, i, reasonOf(kind), true)
	f.Stop = e.env.Rules[i].Stop
	if kind == limits.ByMissing {
		f.Stop = e.env.Rules[i].MissingStop
	}
	return f
}

// asked returns the most urgent stop that a rule asks for.
func (e *Engine) asked() (most rules.Stop) {
	for i := range e.demands {
		if e.demands[i].inForce[limits.ByValue] {
			most = max(most, e.env.Rules[i].Stop)
		}
		if e.demands[i].inForce[limits.ByMissing] {
			most = max(most, e.env.Rules[i].MissingStop)
		}
	}
	return most
}

// forget has what was told be told again the next time.
func (e *Engine) forget() {
	e.unheard = unheard{}
	for i := range e.demands {
		// A demand that stands now was told; it is listed again only if it
		// goes and comes back.
		e.demands[i].listed = e.demands[i].inForce
	}
}

// entered lets what watches the craft follow the latch. It reports whether lowering
// begins with the height lost.
func (e *Engine) entered(at time.Duration, next State) (lost bool) {
	switch next {
	case Lowering:
		return e.lowering(at)
	case Live:
		copy(e.permTold, e.limits.Holds())
	}
	e.disarm(timerClimb)
	e.disarm(timerHeight)
	return false
}

// lowering starts what watches a controlled stop.
func (e *Engine) lowering(at time.Duration) (lost bool) {
	if e.limits.Feeds(rules.Height) {
		// Height may have been lost just before; one bad sample is not lost.
		due := at
		if h := e.limits.Health(rules.Height); h.Heard {
			due = max(at, h.Good+e.limits.Stale(rules.Height))
		}
		if due == at {
			return true
		}
		e.arm(timerHeight, due)
	}
	if c := e.limits.Fresh(rules.Climb, at); c.Quality != rules.Missing && c.Value > climbLimit {
		e.arm(timerClimb, at+climbFor)
	}
	return false
}

// permissive returns the next permissive that came or went while power is on.
func (e *Engine) permissive(at time.Duration) (f Effect, ok bool) {
	for i, holds := range e.limits.Holds() {
		if e.permTold[i] != holds {
			e.permTold[i] = holds
			p := &e.env.Permissives[i]
			now := e.limits.Reading(p.Watch)
			return Effect{Kind: NoteEffect, At: at, Reason: ReasonPermissiveLost, Rule: -1, Permissive: i,
				Channel: p.Watch, On: !holds, Limit: p.Limit, HasValue: now.Quality != rules.Missing, Value: now.Value}, true
		}
	}
	return Effect{}, false
}
