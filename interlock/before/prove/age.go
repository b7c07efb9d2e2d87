package prove

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// age proves a rule on the age of the link: silence itself is the excursion, and
// a frame the way back.
func (t *trial) age() {
	switch why := t.p.outOfReach(t.rule); {
	case why != "":
		t.row.Outcome, t.row.Why = NotProven, why
		return
	case t.way < 0:
		t.row.Outcome, t.row.Why = NotProven, "each frame brings the age to nothing, so that this is past its limit all day"
		return
	}
	limit := time.Duration(math.Round(t.limit * 1e9))
	t.ageInside(limit)
	if t.ageOutside(limit) == nil {
		return
	}
	if t.rule.While != rules.Always {
		t.moot("out of its phase", "whoever is silent may be armed and airborne: silence counts as in its phase")
	}
}

// quiet is a pad whose craft has told nothing for d.
func (t *trial) quiet(d time.Duration) *rig {
	r := t.b.air.clone()
	r.heed(rules.LinkAge, -1)
	r.run(20 * time.Millisecond)
	r.silent = true
	r.until(r.frame + d)
	return r
}

// speak has the craft tell one thing, and go on if it is to.
func (r *rig) speak(on bool) {
	r.silent = false
	for i := range r.p.sources {
		if r.p.sources[i].kind == craftFrame {
			r.sendFrame(i)
			break
		}
	}
	r.silent = !on
}

func (t *trial) ageInside(limit time.Duration) {
	r := t.quiet(limit)
	r.speak(true)
	held := limit.Seconds()
	t.row.Held, t.row.Exact = &held, true
	fault := ""
	r.run(time.Second)
	if t.verdict(r.log, interlock.ReasonRule) != nil {
		fault = fmt.Sprintf("a frame after exactly %s came too late", ms(limit))
	}
	t.add("inside", fault, "a frame after exactly %s is in time", ms(limit))
}

// decided is what silence led to: past the limit, or missing.
func (t *trial) decided(r *rig) *event {
	if f := t.verdict(r.log, interlock.ReasonRule); f != nil {
		return f
	}
	return t.verdict(r.log, interlock.ReasonRuleMissing)
}

func (t *trial) ageOutside(limit time.Duration) *event {
	lasting := t.rule.Lasting
	if t.rule.Stop == rules.NoStop {
		lasting = 0 // a caution comes at once
	}
	r := t.quiet(limit + lasting + t.budget.Relay + time.Millisecond)
	f := t.decided(r)
	if f == nil {
		t.add("outside", fmt.Sprintf("no trip after %s of silence", ms(r.now-r.frame)), "")
		return nil
	}
	age := f.At - r.frame
	took, silence := (age - limit).Seconds(), age.Seconds()
	t.row.Detect, t.row.Tripped, t.row.Silence = &took, &f.Value, &silence
	if f.Reason == interlock.ReasonRuleMissing {
		t.row.Tripped = &silence
	}
	fault := ""
	switch {
	case age > limit+lasting+time.Microsecond:
		fault = fmt.Sprintf("tripped after %s of silence, and the limit is %s", ms(age), ms(limit))
	case age <= limit+lasting && f.Reason == interlock.ReasonRule:
		fault = fmt.Sprintf("tripped after %s of silence, which is not past %s", ms(age), ms(limit+lasting))
	case f.Reason == interlock.ReasonRuleMissing && age != t.rule.StaleAfter:
		fault = fmt.Sprintf("missing after %s of silence, not after %s", ms(age), ms(t.rule.StaleAfter))
	}
	t.add("outside", fault, "silence acts after %s", ms(age))
	if f.Reason == interlock.ReasonRule {
		t.stop("stop", r, f, t.rule.Stop, t.rule.Grace)
	} else {
		t.stop("stop", r, f, t.rule.MissingStop, t.rule.MissingGrace)
	}
	return f
}
