package bench

import (
	"time"

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

// blindStep is how often it is looked whether a rule is blind. Ours.
const blindStep = 100 * time.Millisecond

// watchBlind counts the time since it last did, from what the engine had seen before
// at. The engine is not asked to go on in a silence: a loop that was held up did not,
// either.
func (l *lane) watchBlind(at time.Duration) {
	for i := range l.env.Rules {
		if from, inForce := l.engine.BlindFrom(i); inForce {
			l.times[i].inForce += at - l.looked
			l.times[i].blind += max(0, at-max(from, l.looked))
		}
	}
	l.looked = at
}
