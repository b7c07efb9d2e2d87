package prove

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// needs are the measured channels that the rule rests on.
func (t *trial) needs() []rules.ChannelID {
	switch t.rule.Watch {
	case rules.LinkLag, rules.LinkLoss:
		return t.d.moves
	}
	return t.p.cfg.Needs(t.rule.Watch)
}

// gone judges a rig on which the channel went missing: the rule trips when its
// own staleness is over, not before and not after, with the missing stop.
func (t *trial) gone(r *rig) (took time.Duration, fault string) {
	f := t.verdict(r.log, interlock.ReasonRuleMissing)
	due := r.good + t.rule.StaleAfter
	switch {
	case f == nil && t.verdict(r.log, interlock.ReasonRule) != nil:
		return 0, "" // the silence itself made the value worse, and that tripped first
	case f == nil:
		return 0, fmt.Sprintf("no trip within %s of the last good value; stale after %s", ms(r.now-r.good), ms(t.rule.StaleAfter))
	case f.At != due:
		fault = fmt.Sprintf("acted %s after the last good value, not after %s", ms(f.At-r.good), ms(t.rule.StaleAfter))
	case f.Demands() && f.Stop != t.rule.MissingStop:
		fault = fmt.Sprintf("asked for a stop %q, and missing means %q here", f.Stop, t.rule.MissingStop)
	case t.rule.StaleAfter > t.budget.Relay:
		fault = fmt.Sprintf("stale after %s, and the whole budget is %s", ms(t.rule.StaleAfter), ms(t.budget.Relay))
	}
	return f.At - r.good, fault
}

// silence: nothing more tells of the channel.
func (t *trial) silence() {
	r := t.fresh(t.b.air)
	for _, k := range t.p.sourcesOf(t.needs()) {
		r.mute[k] = true
	}
	r.run(t.rule.StaleAfter + 3*t.period + 20*time.Millisecond)
	took, fault := t.gone(r)
	if took > 0 {
		s := took.Seconds()
		t.row.Silence = &s
	}
	t.add("silence", fault, "acts after %s", ms(max(took, 0)))
	if f := t.verdict(r.log, interlock.ReasonRuleMissing); fault == "" && f != nil && f.Demands() && t.verdict(r.log, interlock.ReasonRule) == nil {
		t.stop("stop when missing", r, f, t.rule.MissingStop, t.rule.MissingGrace)
	}
}

// frozen: the same digits again and again, where that is watched.
func (t *trial) frozen() {
	const name = "frozen"
	n := 0
	for _, m := range append(t.needs(), t.rule.Watch) {
		k := m.Channel().FrozenAfter
		if m == t.rule.Watch && t.rule.FrozenAfter > 0 {
			k = t.rule.FrozenAfter
		}
		n = max(n, k)
	}
	if t.rule.Watch == rules.PackResistance || t.rule.Watch == rules.PackResting {
		n = max(n, stuckAfter) // the current is
	}
	if t.rule.Watch.Channel().Derived && t.rule.FrozenAfter > t.rule.Watch.Channel().FrozenAfter {
		t.skip(name, "it freezes with what it is worked out from, some samples later: when, is not tried")
		return
	}
	if n == 0 {
		t.skip(name, "not watched for freezing: the same digits again and again are believed (frozen_after would watch them)")
		return
	}
	r := t.fresh(t.b.air)
	r.stuck = t.needs()
	from := r.now
	most := time.Duration(n+1) * t.period
	r.run(most + t.rule.StaleAfter + 3*t.period)
	_, fault := t.gone(r)
	if fault == "" && r.good-from > most {
		fault = fmt.Sprintf("still believed %s after it froze; that should be %d samples", ms(r.good-from), n)
	}
	t.add(name, fault, "the same digits for %d samples count as missing", n)
}
