package told

import (
	"fmt"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/rules"
)

// mostNamed bounds the channels that are named of those that are waited for.
const mostNamed = 3

// notReady returns the guard's list of what stands against a start in the order in which
// people go through it: what somebody must do, then the conditions that nobody can hurry,
// then the reset, and last, as one row, what only takes time.
func (set *Setup) notReady(s *answers.Seen) []string {
	of := map[string]interlock.Unmet{}
	for _, u := range s.View.Unmet {
		of[s.View.Say(set.Envelope, u)] = u
	}
	do, conditions, reset, waits := []string{}, []string(nil), []string(nil), []string(nil)
	names, least := []string(nil), rules.Never
	for _, text := range s.NotReady {
		switch u, known := of[text]; {
		case known && u.Need == interlock.NeedChannel && strings.Contains(text, ": healthy for ") && !strings.Contains(text, ";"):
			names, waits = append(names, rules.ChannelID(u.Index).String()), append(waits, text)
			least = min(least, s.View.At-u.Since)
		case known && (u.Need == interlock.NeedPermissive || u.Need == interlock.NeedRule):
			if u.Need == interlock.NeedPermissive {
				text = set.lacks(&s.View, u.Index, text)
			}
			conditions = append(conditions, text)
		case known && u.Need == interlock.NeedReset:
			reset = append(reset, text)
		default:
			do = append(do, text)
		}
	}
	if n := len(names); n > 1 {
		more := ""
		if n > mostNamed {
			more = fmt.Sprintf(" and %d more", n-mostNamed)
		}
		waits = []string{fmt.Sprintf("wait: %d channels must be healthy for 10 s; the youngest has been healthy for %d s (%s%s)", n, int(least/time.Second), strings.Join(names[:min(n, mostNamed)], ", "), more)}
	}
	return append(append(append(do, conditions...), reset...), waits...)
}

// lacks returns the guard's sentence on a condition with states as words.
func (set *Setup) lacks(v *interlock.View, i int, says string) string {
	p, now := &set.Envelope.Permissives[i], v.Permissives[i]
	if rest, ok := strings.CutSuffix(says, "; now "+rules.Reading(now.Value, p.Unit, p.Limit)); ok {
		says = rest + "; now " + set.text(p.Watch, now.Value, p.Unit, p.Limit)
	}
	return strings.Replace(says, p.Condition(), set.condition(p), 1)
}

// condition is what must be so, with a flag's state as a word.
func (set *Setup) condition(p *rules.Permissive) string {
	if p.Watch != rules.CraftLanded && p.Watch != rules.CraftArmed && p.Watch != rules.CraftMode || p.Form != rules.Is && p.Form != rules.IsNot {
		return p.Condition()
	}
	return "the craft must " + map[bool]string{true: "be ", false: "not be "}[p.Form == rules.Is] + set.text(p.Watch, p.Limit, p.Unit)
}
