package interlock

import (
	"fmt"
	"time"

	"downhaul/rules"
)

// needText is why a need is not met, where the words are always the same.
var needText = [...]string{
	NeedGuardDuty:  "duty is watch: the relay is never closed",
	NeedStop:       "emergency stop pressed, or not read",
	NeedGate:       "gate open",
	NeedPins:       "the input lines are not being read",
	NeedReadback:   "the contactor does not read open",
	NeedRelay:      "the relay line cannot be written",
	NeedLink:       "nothing heard from the craft",
	NeedClash:      "two senders under the craft's identity: end the other one, then wait 10 s",
	NeedDisarmed:   "the craft is armed, or its state is unknown",
	NeedDisk:       "too little room on the disk for records",
	NeedProof:      "a proof test is due",
	NeedStopProven: "stop not measured at the rotors: only a step on the ground may start",
	NeedCard:       "the test card asks for more",
	NeedLedger:     "a fault of the chain or a defect stands open",
	NeedKept:       "a trip record is not on disk yet",
	NeedReset:      "reset needed: search the area, then press and release reset",
	NeedTurn:       "turn the anemometer once by hand, slowly: without pulses a calm cannot be told from a cut wire",
	NeedNotEnded:   "the guard is ending",
}

// Say says in one plain sentence why a need is not met. Status, page and log
// all show this one text.
func (v *View) Say(env *rules.Envelope, u Unmet) string {
	switch u.Need {
	case NeedRule:
		return fmt.Sprintf("%s: %s", env.Rules[u.Index].Name, v.RuleNow(env, u.Index))
	case NeedPermissive:
		return v.permissive(env, u.Index)
	case NeedHeight:
		if u.Cause != rules.NoCause {
			return fmt.Sprintf("the height was off before the start, and is missing now: %v", u.Cause)
		}
		unit := rules.DefaultUnit(rules.Length, env.Units)
		return fmt.Sprintf("the height reads %s before the start: set it to zero at the craft (home, or start it anew)", rules.Format(u.Value, unit))
	case NeedChannel:
		id := rules.ChannelID(u.Index)
		switch u.Cause {
		case rules.HomeMoved:
			return id.String() + ": the craft's home moved; leave it disarmed and still for 10 s"
		case rules.Disagreement, rules.Unhealthy, rules.HealthUnknown, rules.TooSlow, rules.NoFullOutput,
			rules.ClimbAgainst, rules.GlobalFits, rules.LocalFits, rules.HUDFits:
			return fmt.Sprintf("%s: missing: %v", id, u.Cause)
		}
		if u.Since == rules.Never {
			return id.String() + ": not heard, or not healthy"
		}
		return fmt.Sprintf("%s: healthy for %d s, wanted 10 s", id, int((v.At-u.Since)/time.Second))
	}
	return needText[u.Need]
}

// RuleNow is where a rule stands in a few words, in its own unit.
func (v *View) RuleNow(env *rules.Envelope, i int) string {
	rule, now := &env.Rules[i], &v.Rules[i]
	limit := rules.Format(rule.Limit, rule.Unit)
	if rule.Form == rules.Outside {
		limit += " to " + rules.Format(rule.LimitHigh, rule.Unit)
	}
	switch {
	case !now.Fed:
		return "not fed on this pad"
	case now.Missing && now.Reading.Cause != rules.NoCause:
		return "missing: " + now.Reading.Cause.String()
	case now.Missing:
		return "missing: too old or never heard"
	case !now.HasValue:
		return "no value yet"
	}
	return fmt.Sprintf("%s, limit %s", rules.Format(now.Value, rule.Unit), limit)
}

// permissive says what a row asks for and what is there instead.
func (v *View) permissive(env *rules.Envelope, i int) string {
	p, now := &env.Permissives[i], &v.Permissives[i]
	text := p.Condition() + "; now "
	switch {
	case now.Quality != rules.Missing:
		text += rules.Format(now.Value, p.Unit)
	case now.Cause != rules.NoCause:
		text += "missing: " + now.Cause.String()
	default:
		text += "not heard"
	}
	if p.Name != "" {
		return p.Name + ": " + text
	}
	return text
}
