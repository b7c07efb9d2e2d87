package bench

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// ruleTimes is for how long a rule was past its limit, and for how long it could not
// judge. It decides nothing.
type ruleTimes struct {
	past          bool
	since, judged time.Duration
	over          time.Duration
	overs         uint64
	inForce       time.Duration
	blind         time.Duration
}

// judge takes a value that a rule in force looked at.
func (t *ruleTimes) judge(at time.Duration, r *rules.Rule, v float64) {
	t.until(min(at, t.judged+r.StaleAfter))
	t.judged = at
	if r.Side(v) != rules.Beyond {
		t.past = false
		return
	}
	if !t.past {
		t.past, t.overs = true, t.overs+1
	}
	t.since = at
}

// until counts the time past the limit up to at; a value counts for as long as the rule
// takes it for fresh.
func (t *ruleTimes) until(at time.Duration) {
	if t.past && at > t.since {
		t.over += at - t.since
		t.since = at
	}
}

// blindness is what was seen when it was last looked whether rules are blind.
type blindness struct {
	view           interlock.View
	at             time.Duration
	blind, inForce []bool // by rule
}

// blindStep is how often it is looked whether a rule is blind. Ours.
const blindStep = 100 * time.Millisecond

// watchBlind looks at the rules up to at, step by step, so that a silence counts as it
// goes by: an engine that is told the time more often decides nothing else.
func (l *lane) watchBlind(at time.Duration) {
	b := l.blind
	for next := b.at + blindStep; next <= at; next += blindStep {
		l.take(next, l.engine.Advance(next))
		l.countBlind(next)
		l.engine.View(&b.view)
		for i := range b.view.Rules {
			b.inForce[i], b.blind[i] = b.view.Rules[i].InForce, b.view.Rules[i].Missing
		}
	}
}

// countBlind counts the time since the last look.
func (l *lane) countBlind(at time.Duration) {
	b := l.blind
	for i := range b.inForce {
		if b.inForce[i] {
			l.times[i].inForce += at - b.at
			if b.blind[i] {
				l.times[i].blind += at - b.at
			}
		}
	}
	b.at = at
}
