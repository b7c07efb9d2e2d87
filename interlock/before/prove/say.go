package prove

import (
	"fmt"
	"math"
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

// Hair reports whether a value is nearer to a limit than a tenth of what a reading is worth:
// its digits would tell a person nothing.
func Hair(v, limit float64, unit string) bool {
	places, known := rules.Worth(unit)
	x, _ := rules.Convert(v, unit)
	l, _ := rules.Convert(limit, unit)
	return known && v != limit && math.Abs(x-l) < 0.99*math.Pow10(-places-1)
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
