// Package words reads rules and steps aloud: what people see before and after the
// day. The daemon needs none of it.
package words

import (
	"fmt"
	"strings"
	"time"

	"downhaul/rules"
)

// Rule returns a rule as a person reads it aloud, each number in the unit of its
// limit.
func Rule(r *rules.Rule) string {
	var b strings.Builder
	switch r.While {
	case rules.Armed:
		b.WriteString("While armed: ")
	case rules.Airborne:
		b.WriteString("While airborne: ")
	}
	b.WriteString(act(r.Stop, r.Grace))
	fmt.Fprintf(&b, " if %s %s", r.Watch, Condition(r))
	if r.Lasting > 0 {
		b.WriteString(" for " + rules.FormatDuration(r.Lasting))
	}
	if r.HasCaution {
		b.WriteString("; caution " + cautionText(r))
	}
	b.WriteString(". No good value for " + rules.FormatDuration(r.StaleAfter) + ": " + lowerFirst(act(r.MissingStop, r.MissingGrace)) + ".")
	return b.String()
}

// act returns what a stop does, as the beginning of a sentence.
func act(stop rules.Stop, grace time.Duration) string {
	switch stop {
	case rules.Immediate:
		return "Power off at once"
	case rules.Controlled:
		return "Bring it down, power off when down or after " + rules.FormatDuration(grace) + ","
	}
	return "Caution only"
}

func lowerFirst(s string) string {
	return strings.TrimSuffix(strings.ToLower(s[:1])+s[1:], ",")
}

// Condition returns what the rule's channel may not do, such as "is above 1800 N".
func Condition(r *rules.Rule) string {
	switch r.Form {
	case rules.Above:
		return "is above " + show(r, r.Limit)
	case rules.Below:
		return "is below " + show(r, r.Limit)
	case rules.Outside:
		return "is outside " + show(r, r.Limit) + " to " + show(r, r.LimitHigh)
	case rules.RisingFaster:
		return "rises faster than " + show(r, r.Limit) + " (over " + rules.FormatDuration(r.Over) + ")"
	case rules.FallingFaster:
		return "falls faster than " + show(r, r.Limit) + " (over " + rules.FormatDuration(r.Over) + ")"
	case rules.Is:
		return "is " + show(r, r.Limit)
	}
	return "is not " + show(r, r.Limit)
}

// Past returns a value beside the limit that it passed, such as "20.4 mph, limit 20 mph";
// for a caution the limit is its own.
func Past(value, limit float64, unit string, caution bool) string {
	v, l := rules.Reading(value, unit, limit), rules.Format(limit, unit)
	switch {
	case v == l && caution:
		return "at its caution, " + l
	case v == l:
		return "just past its limit, " + l
	case caution:
		return v + ", caution from " + l
	}
	return v + ", limit " + l
}

func cautionText(r *rules.Rule) string {
	switch r.Form {
	case rules.Above, rules.RisingFaster, rules.FallingFaster:
		return "above " + show(r, r.Caution)
	case rules.Below:
		return "below " + show(r, r.Caution)
	}
	return "outside " + show(r, r.Caution) + " to " + show(r, r.CautionHigh)
}

func show(r *rules.Rule, v float64) string { return rules.ShowLimit(r.Watch, v, r.Unit) }

// Permissive returns a permissive as a person reads it aloud.
func Permissive(p *rules.Permissive) string {
	return fmt.Sprintf("To start, %s. No good value for %s: no start.", p.Condition(), rules.FormatDuration(p.StaleAfter))
}
