package prove

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"downhaul/rules"
)

// say is a value in the unit of the limit, with digits enough to tell two
// steps of a field apart.
func (t *trial) say(v float64) string { return Say(v, t.rule.Unit) }

// Say is a value in a unit with digits enough to tell two steps of a field
// apart: eight, what a 32-bit number holds.
func Say(v float64, unit string) string {
	if c, ok := rules.Convert(v, unit); ok {
		return strings.TrimSpace(strconv.FormatFloat(c, 'g', 8, 64) + " " + unit)
	}
	return rules.Format(v, unit)
}

func ms(d time.Duration) string { return rules.FormatDuration(d.Round(time.Microsecond)) }

// quoted lists names.
func quoted(names []string) string {
	var out []string
	for i, n := range names {
		if i == 3 {
			out = append(out, fmt.Sprintf("%d more", len(names)-3))
			break
		}
		out = append(out, strconv.Quote(n))
	}
	return strings.Join(out, " and ")
}

func pick[T any](first bool, yes, no T) T {
	if first {
		return yes
	}
	return no
}

func unitOf(r *rules.Rule) string {
	kind := r.Watch.Channel().Kind
	if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
		kind = kind.Rate()
	}
	return rules.SIUnit(kind)
}
