package interlock

import (
	"time"

	"downhaul/interlock/derived"
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
func (f *fromLimits) Read(at time.Duration, id rules.ChannelID, r derived.Result) {
	(*Engine)(f).builtins(at, id, r)
}
func (f *fromLimits) Wake(due time.Duration) { (*Engine)(f).wake(due) }
func (f *fromLimits) Unsettled()             { f.dirty = true }

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
	e.dirty = true
	if !counts {
		e.standing--
		if run.listed[kind] {
			e.emit(e.ruleEffect(ClearEffect, at, i, reasonOf(kind), false))
		}
		if e.site.Duty == Watch || !e.inEpisode {
			run.listed[kind] = false // what was told before a reset is told; the next time is another
		}
		return
	}
	e.standing++
	event := EventControlled
	if stop == rules.Immediate {
		event = EventImmediate
	}
	why, behind := e.because(at, reasonOf(kind), i)
	if e.recorded(event) && !run.listed[kind] {
		e.list(at, i, kind)
	}
	if stop == rules.Controlled && (e.state == Live || e.state == Lowering) {
		if due := at + grace; due < e.timers[timerGrace] {
			e.arm(timerGrace, due)
		}
	}
	if event == EventImmediate {
		e.event(at, event, why, behind)
	} else {
		e.laterControlled(why, behind)
	}
}

// cautionMoved tells a caution that came, went, or whose phase began or ended.
func (e *Engine) cautionMoved(at time.Duration, i int, why limits.Why) {
	told := e.limits.Rule(i).Cautions && e.inForce(e.env.Rules[i].While)
	if told == e.demands[i].caution {
		return
	}
	e.demands[i].caution = told
	if told {
		e.cautions++
		e.newCaution()
	} else {
		e.cautions--
	}
	e.dirty = true
	e.emit(e.ruleEffect(CautionEffect, at, i, reasonOf(why), told))
}

func reasonOf(why limits.Why) Reason {
	return [...]Reason{limits.ByValue: ReasonRule, limits.ByMissing: ReasonRuleMissing, limits.ByDoubt: ReasonDoubt}[why]
}

// recorded says whether an event in this state is a trip to put on record, and
// not only a reason for not being ready.
func (e *Engine) recorded(event Event) bool {
	if e.site.Duty == Watch {
		return true
	}
	switch e.state {
	case Live, Lowering:
		return true
	case Tripped:
		// Who goes in to the craft opens the gate and lets go of the switch.
		return event != EventGate && event != EventHold
	case Closing:
		return event != EventControlled
	}
	return false
}

// record numbers a trip and marks the first of an episode. In duty watch an
// episode is the time in which any demand stands; in duty guard it ends with
// the reset.
func (e *Engine) record(f Effect) {
	first := !e.inEpisode
	if e.site.Duty == Watch {
		first = f.Rule < 0 || e.standing <= 1
	}
	e.newTrip(f)
	if !e.consequence(f, first) {
		e.number(f, first)
	}
	e.inEpisode = true
}

func (e *Engine) number(f Effect, first bool) {
	e.trips++
	f.Trip, f.FirstOut = e.trips, first
	if first {
		e.first = f
	}
	e.emit(f)
}

// listStanding lists what demands a controlled stop beside the immediate one that
// has just ended the closing. Alone it would only have kept the power off; in one
// instant with a trip it is listed, whichever came first.
func (e *Engine) listStanding(at time.Duration) {
	for i := range e.demands {
		for kind, counts := range e.demands[i].inForce {
			if counts && !e.demands[i].listed[kind] {
				e.list(at, i, limits.Why(kind))
			}
		}
	}
}

// list puts the demand of a rule on record.
func (e *Engine) list(at time.Duration, i int, kind limits.Why) {
	e.demands[i].listed[kind] = true
	f := e.ruleEffect(TripEffect, at, i, reasonOf(kind), true)
	f.Stop = e.env.Rules[i].Stop
	if kind == limits.ByMissing {
		f.Stop = e.env.Rules[i].MissingStop
	}
	e.record(f)
}

// endEpisode forgets what was listed, so that it can be listed again.
func (e *Engine) endEpisode() {
	e.inEpisode = false
	e.first, e.unheard = Effect{}, unheard{}
	e.builtinListed = [reasonCount]bool{}
	for i := range e.demands {
		// A demand that stands now was told; it is listed again only if it
		// goes and comes back.
		e.demands[i].listed = e.demands[i].inForce
	}
}

// builtinTrip is the demand of a built-in interlock.
func (e *Engine) builtinTrip(at time.Duration, event Event, why Reason) {
	e.builtinTripFor(at, event, why, 0)
}

func (e *Engine) ruleEffect(kind EffectKind, at time.Duration, i int, why Reason, on bool) Effect {
	rule, now := &e.env.Rules[i], e.limits.Rule(i)
	f := Effect{Kind: kind, At: at, On: on, Reason: why, Rule: i, Permissive: -1, Channel: rule.Watch, Limit: rule.Limit}
	value := now.Value
	if kind == TripEffect {
		value = now.Past // not what came into the deadband since
	}
	if rule.Form == rules.Outside && value > rule.Limit {
		f.Limit = rule.LimitHigh
	}
	if kind == CautionEffect && rule.HasCaution {
		f.Limit = rule.Caution
		if rule.Form == rules.Outside && value > rule.Caution {
			f.Limit = rule.CautionHigh
		}
	}
	if why == ReasonRuleMissing && kind == ClearEffect {
		return f // it is heard again
	}
	if why == ReasonRuleMissing || why == ReasonDoubt {
		f.Cause = e.limits.Cause(at, i)
		return f
	}
	f.HasValue, f.Value = now.Seen, value
	return f
}

// event lets the latch take one event. rule is the index of the rule behind
// it, −1 if there is none.
func (e *Engine) event(at time.Duration, event Event, why Reason, rule int) bool {
	if e.site.Duty == Watch {
		return false
	}
	next, changed := e.state.Next(event, e.grounded())
	if changed {
		e.move(at, next, why, rule)
	}
	return changed
}

// move is the only place where the latch changes state.
func (e *Engine) move(at time.Duration, next State, why Reason, rule int) {
	from := e.state
	e.state, e.since, e.why = next, at, why
	e.dirty = true
	switch next {
	case Blocked, Tripped, Fault:
		e.open(at)
	}
	if next == Tripped || next == Fault {
		e.resetOK = false // a reset that was pressed before says nothing of it
	}
	e.emit(Effect{Kind: StateEffect, At: at, From: from, State: next, Reason: why, Rule: rule, Permissive: -1})
	if next != Closing {
		e.disarm(timerClosing)
		e.disarm(timerPickUp)
	}
	if next != Live && next != Lowering {
		e.disarm(timerBounce)
	}
	if next != Lowering {
		e.disarm(timerGrace)
		e.disarm(timerDown)
		e.disarm(timerClimb)
		e.disarm(timerHeight)
	}
	switch next {
	case Blocked:
		// Losing something that stands for itself keeps the reset of Ready:
		// nobody went in, and it shows when it is back. What is over in an
		// instant (end, a stall, a second sender) would not hold it here. Any
		// other way here needs a reset, too.
		switch {
		case from != Ready, why == ReasonEnd, why == ReasonStalled, why == ReasonClash:
			e.resetDone = false
		}
		if from == Live || from == Lowering {
			e.lamp(at)
		}
	case Ready:
		e.startArmed = e.lines[Start].known && !e.lines[Start].on
	case Closing:
		// The contactor was seen open: what closes from here on is no late one.
		e.disarm(timerDropOut)
		e.closingStep = 0
		e.arm(timerClosing, at+min(testRelayFrom, e.site.Horn))
	case Live:
		e.cautionHushed = false
		copy(e.permTold, e.limits.Holds())
		e.lamp(at)
	case Lowering:
		e.lowering(at)
	case Tripped:
		e.lamp(at)
		if from == Closing {
			e.listStanding(at)
		}
	case Fault:
		// A run that ends in a fault ends. One that tripped has flashed.
		if from == Closing || from == Live || from == Lowering {
			e.lamp(at)
		}
	}
}

func (e *Engine) lamp(at time.Duration) {
	e.flash, e.flashState = at, e.state
	e.emit(Effect{Kind: LampEffect, At: at, On: true, Rule: -1, Permissive: -1, State: e.state})
}

// cut lets the latch take an event that no rule and no interlock stands behind: the
// crew's own end that was not down in its time, or the end of the guard. Where it
// trips and no stop has become due before, it makes the record: power that is taken
// off a craft in the air is never off the record.
func (e *Engine) cut(at time.Duration, event Event, why Reason) bool {
	reason, rule := e.because(at, why, -1)
	if next, changed := e.state.Next(event, e.grounded()); changed && next == Tripped && !e.inEpisode && e.site.Duty == Guard {
		e.record(Effect{Kind: TripEffect, At: at, On: true, Reason: why, Rule: -1, Permissive: -1, Stop: rules.Immediate})
	}
	return e.event(at, event, reason, rule)
}

// lowering starts what watches a controlled stop.
func (e *Engine) lowering(at time.Duration) {
	if e.timers[timerGrace] == rules.Never {
		e.arm(timerGrace, at+e.site.EndGrace)
	}
	if e.limits.Feeds(rules.Height) {
		// Height may have been lost just before; one bad sample is not lost.
		due := at
		if h := e.limits.Health(rules.Height); h.Heard {
			due = max(at, h.Good+rules.Height.Stale())
		}
		if due == at {
			e.cut(at, EventHeightLost, ReasonHeightLost) // in this very call
			return
		}
		e.arm(timerHeight, due)
	}
	if c := e.limits.Fresh(rules.Climb, at); c.Quality != rules.Missing && c.Value > climbLimit {
		e.arm(timerClimb, at+climbFor)
	}
	e.consider(at)
}
