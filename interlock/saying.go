package interlock

import (
	"fmt"
	"math"
	"slices"
	"strings"
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

// Say returns in one plain sentence why a need is not met. Status, page and log
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
		return fmt.Sprintf("the height reads %s before the start: set it to zero at the craft (home, or start it anew)", rules.Reading(u.Value, unit))
	case NeedChannel:
		id := rules.ChannelID(u.Index)
		switch u.Cause {
		case rules.HomeMoved:
			return id.String() + ": the craft's home moved; leave it disarmed and still for 10 s"
		case rules.Disagreement, rules.Unhealthy, rules.HealthUnknown, rules.TooSlow, rules.NoFullOutput,
			rules.ClimbAgainst, rules.GlobalFits, rules.LocalFits, rules.HUDFits:
			return fmt.Sprintf("%s: missing: %v", id, u.Cause)
		}
		text, comes := id.String()+": not healthy", ""
		if u.Since != rules.Never {
			text = fmt.Sprintf("%s: healthy for %d s, wanted 10 s", id, int((v.At-u.Since)/time.Second))
		}
		for i := range v.Signs { // the phases' own stand in front
			if s := &v.Signs[i]; s.ID == id {
				comes = v.comes(s)
			}
		}
		if comes != "" {
			text += "; " + comes
		}
		return text
	case NeedDisarmed:
		return needText[u.Need] + v.Disarmed(env)
	}
	return needText[u.Need]
}

// comes describes a sign that comes too seldom, or not at all, how it comes and what the
// craft is to be asked for; empty of one that comes as it should.
func (v *View) comes(s *Sign) string {
	text := ""
	switch age := v.At - s.Told; {
	case s.Told == rules.Never:
		text = "never heard"
	case age > s.Old:
		text = fmt.Sprintf("last heard %.1f s ago, and it counts for %s", age.Seconds(), rules.FormatDuration(s.Old))
	case s.Apart > 0 && v.At-s.ApartAt < 10*time.Second:
		text = fmt.Sprintf("came %.2g s apart, and it counts for %s", s.Apart.Seconds(), rules.FormatDuration(s.Old))
	default:
		return ""
	}
	return text + ask(s.From, s.Old)
}

// ask returns what to ask the craft for where a channel may be so old: two in that time, so
// that one may be lost.
func ask(id rules.ChannelID, old time.Duration) string {
	if m := id.Channel().Message; m != "" {
		return fmt.Sprintf(": ask the craft for %s, %.0f a second or more", m, math.Ceil(2/old.Seconds()))
	}
	return ""
}

// ofPhase are the signs that a phase rests on.
func (v *View) ofPhase() []Sign {
	n := 0
	for n < len(v.Signs) && slices.Contains(phaseSigns[:], v.Signs[n].ID) && (n == 0 || v.Signs[n].ID > v.Signs[n-1].ID) {
		n++
	}
	return v.Signs[:n]
}

// Unsure returns which signs of a phase come too seldom, or not at all; empty where all
// come, and where nothing is heard at all.
func (v *View) Unsure() string {
	var out []string
	for _, s := range v.ofPhase() {
		if text := v.comes(&s); text != "" && v.Heard {
			out = append(out, s.ID.String()+": "+text)
		}
	}
	return strings.Join(out, "; ")
}

// Disarmed returns which signs keep the craft from counting as disarmed.
func (v *View) Disarmed(env *rules.Envelope) string {
	if !v.Heard {
		return "" // that is said
	}
	var out []string
	for _, s := range v.ofPhase() {
		if s.ID == rules.CraftLanded {
			continue
		}
		text := v.comes(&s)
		if text == "" && !s.Agrees {
			switch {
			case s.Reading.Quality == rules.Missing:
				text = "missing: " + s.Reading.Cause.String()
			case s.ID == rules.CraftArmed:
				text = "yes"
			default:
				text = rules.Reading(s.Reading.Value, rules.DefaultUnit(s.ID.Channel().Kind, env.Units))
			}
		}
		if text != "" {
			out = append(out, s.ID.String()+": "+text)
		}
	}
	switch {
	case len(out) > 0:
		return ": " + strings.Join(out, "; ")
	case v.Disarms != rules.Never:
		return fmt.Sprintf(": it counts as disarmed in %.0f s if its signs agree so long", math.Ceil((v.Disarms - v.At).Seconds()))
	}
	return ""
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
	case now.Missing && now.Age == rules.Never:
		return "missing: never heard"
	case now.Missing:
		return fmt.Sprintf("missing: last heard %.1f s ago, and it counts for %s", now.Age.Seconds(), rules.FormatDuration(rule.StaleAfter)) + ask(rule.Watch, rule.StaleAfter)
	case !now.HasValue:
		return "no value yet"
	}
	return fmt.Sprintf("%s, limit %s", rules.Reading(now.Value, rule.Unit, rule.Limit, rule.LimitHigh), limit)
}

// permissive returns what a row asks for and what is there instead.
func (v *View) permissive(env *rules.Envelope, i int) string {
	p, now := &env.Permissives[i], &v.Permissives[i]
	text := p.Condition() + "; now "
	switch age := v.At - now.At; {
	case now.Quality != rules.Missing && age >= p.StaleAfter:
		text += fmt.Sprintf("too old: %s, heard %.1f s ago, and it counts for %s", rules.Reading(now.Value, p.Unit, p.Limit), age.Seconds(), rules.FormatDuration(p.StaleAfter)) + ask(p.Watch, p.StaleAfter)
	case now.Quality != rules.Missing:
		text += rules.Reading(now.Value, p.Unit, p.Limit)
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

// FirstCause returns a trip, or a caution, in a few words.
func FirstCause(env *rules.Envelope, f Effect) string {
	lasted := fmt.Sprintf("%v for %.1f s", f.Reason, f.Lasted.Seconds())
	switch {
	case f.Rule >= 0:
	case f.Reason == ReasonThenSilent:
		return f.Channel.String() + " " + rules.Reading(f.Value, rules.DefaultUnit(f.Channel.Channel().Kind, env.Units)) + ", " + lasted
	case f.Lasted > 0:
		return lasted
	default:
		return f.Reason.String()
	}
	rule := &env.Rules[f.Rule]
	value, limit := rules.Reading(f.Value, rule.Unit, f.Limit), rules.Format(f.Limit, rule.Unit)
	switch {
	case f.Reason == ReasonRuleMissing:
		return rule.Name + ": " + f.Reason.String() + ", " + rule.Watch.String() + " " + f.Cause.String()
	case f.Reason == ReasonThenSilent && !f.HasValue:
		return rule.Name + ": " + rule.Watch.String() + " " + f.Cause.String() + ", " + lasted
	case f.Reason == ReasonThenSilent:
		return rule.Name + ": " + value + " against " + limit + ", " + lasted
	case !f.HasValue:
		return rule.Name + " past its limit"
	case f.Kind == CautionEffect:
		return rule.Name + " near its limit: " + value + ", caution from " + limit
	case value == limit:
		return rule.Name + " past its limit: just past " + limit
	}
	return rule.Name + " past its limit: " + value + ", limit " + limit
}
