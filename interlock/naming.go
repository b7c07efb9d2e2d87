package interlock

import (
	"slices"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// What a decision is called: whose cause it was, which value is told with it, and
// whether the silence of the craft stands behind it. All of it only reads: what it
// answers stands in a record, and moves nothing.

// A link that falls silent takes every channel of the craft with it, each in its own
// time, and lets the predicted apex grow. All of that is one event: the first demand
// of it makes a trip whose cause is the silence, and every demand of it, this first
// one too, is told as a consequence of that trip. What opens the relay, and when, is
// for the demands to say; here they only get their name.
//
// A runaway can tear the radio off. So where a value had left its limit or caution
// as it was last heard, that stays the first cause, "then nothing heard".

// ruleEffect returns what is told of a rule.
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

func reasonOf(why limits.Why) Reason {
	return [...]Reason{limits.ByValue: ReasonRule, limits.ByMissing: ReasonRuleMissing, limits.ByDoubt: ReasonDoubt}[why]
}

// restsOn returns the channel behind a demand, and after how long its value is old.
func (e *Engine) restsOn(why Reason, rule int) (rules.ChannelID, time.Duration) {
	switch {
	case rule >= 0 && e.unknown != rules.NoChannel && e.ofCraft[e.env.Rules[rule].Watch]: // it came into force by that
		return e.unknown, e.limits.Stale(e.unknown)
	case rule >= 0:
		id := e.env.Rules[rule].Watch
		return id, min(e.env.Rules[rule].StaleAfter, id.Stale())
	case why == ReasonLink:
		return rules.LinkAge, 0
	case why == ReasonHeightLost, why == ReasonGroundUnseen && e.limits.Feeds(rules.Height) && !e.runs(timerGroundHeight):
		return rules.Height, e.limits.Stale(rules.Height)
	case why == ReasonGroundUnseen:
		return rules.Tension, pullSilence
	}
	return rules.NoChannel, 0
}

// told returns when the channel last had a value of its own; what silence makes of
// an old one is none.
func (e *Engine) told(id rules.ChannelID) time.Duration {
	if id == rules.LinkAge {
		return e.lastFrame
	}
	if r := e.limits.Reading(id); r.Quality == rules.Doubtful && r.Cause != rules.Stale {
		return r.At
	}
	return e.limits.Health(id).Good
}

// toldMissing returns why a channel is missing where that was told: not by silence.
func (e *Engine) toldMissing(id rules.ChannelID) rules.Cause {
	for _, n := range slices.Concat(e.limits.Needs(id), []rules.ChannelID{id}) {
		if r := e.limits.Reading(n); r.Quality == rules.Missing && r.Cause != rules.NoCause && r.Cause != rules.Stale && r.Cause != rules.InputMissing {
			return r.Cause
		}
	}
	return rules.NoCause
}

// bySilence reports whether a demand stands because nothing is heard of the craft: it
// rests on what was last told before the silence, and the silence is at least half of
// the time that it may be old, and that it is. A channel that stopped while the link
// was alive has fallen silent by itself. What was told itself belongs to a silence
// only where that is named as what came behind it.
func (e *Engine) bySilence(at time.Duration, why Reason, rule int) bool {
	id, stale := e.restsOn(why, rule)
	same := e.unheard.trip != 0 && e.lastFrame <= e.unheard.from
	if why == ReasonRule && e.limits.Rule(rule).Left == rules.Beyond && e.unknown == rules.NoChannel || why == ReasonRuleMissing && e.toldMissing(id) != rules.NoCause {
		return same && e.unheard.rule == rule && !e.limits.Rule(rule).Back
	}
	if !e.linkHeard || !e.ofCraft[id] {
		return false
	}
	told, silent := e.told(id), at-e.lastFrame
	switch {
	case id == rules.LinkAge:
		return silent > 0 // its value is the silence
	case e.ofRecorded(told) && same && why == ReasonRule:
		return true // silence made its value
	case e.ofRecorded(told):
		silent += e.unheard.silent
	}
	return told <= e.lastFrame && 2*silent >= max(at-e.limits.Health(id).Good, stale)
}

// ofRecorded reports whether what was last told then has not been heard since the
// silence on record began.
func (e *Engine) ofRecorded(told time.Duration) bool {
	return e.unheard.trip != 0 && told <= e.unheard.from
}

// because returns the reason and the rule that a move of the latch by a demand
// carries: the silence, where that is behind the demand.
func (e *Engine) because(at time.Duration, why Reason, rule int) (Reason, int) {
	if e.bySilence(at, why, rule) {
		return ReasonLink, -1
	}
	return why, rule
}

// silenceAs returns the cause that a silence of the craft is; as the first cause it
// stands behind what had left its limit or caution before.
func (e *Engine) silenceAs(at time.Duration, first bool) Effect {
	f := Effect{Kind: TripEffect, At: at, On: true, Reason: ReasonLink, Rule: -1, Permissive: -1, Lasted: at - e.lastFrame}
	if !first {
		return f
	}
	for _, t := range [...]struct {
		timer int
		id    rules.ChannelID
	}{{timerClimb, rules.Climb}, {timerSlack, rules.Tension}} {
		if e.runs(t.timer) {
			f.Reason, f.Channel, f.HasValue, f.Value = ReasonThenSilent, t.id, true, e.limits.Reading(t.id).Value
		}
	}
	found := false
	for i := range e.env.Rules {
		now, rule := e.limits.Rule(i), &e.env.Rules[i]
		beyond := now.Left == rules.Beyond
		if !e.inForce(rule.While) || e.unknown != rules.NoChannel && rule.While != rules.Always || found && !beyond {
			continue
		}
		if now.Left == rules.Inside {
			if lost := e.toldMissing(rule.Watch); lost != rules.NoCause && e.ofCraft[rule.Watch] && e.limits.Health(rule.Watch).Heard && !now.Asks[limits.ByMissing] && rule.WhenMissing == rules.MissingTrips {
				found = true
				f.Reason, f.Rule, f.Channel, f.HasValue, f.Cause = ReasonThenSilent, i, rule.Watch, false, lost
			}
			continue
		}
		f.Cause = rules.NoCause
		f.Reason, f.Rule, f.Channel, f.HasValue, f.Value = ReasonThenSilent, i, rule.Watch, true, now.Told
		low, high := rule.Caution, rule.CautionHigh
		if beyond {
			low, high = rule.Limit, rule.LimitHigh
		}
		f.Limit = low
		if rule.Form == rules.Outside && now.Told > low {
			f.Limit = high
		}
		if found = true; beyond {
			break
		}
	}
	return f
}
