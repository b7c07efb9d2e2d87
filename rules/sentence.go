package rules

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// FormatDuration is a time for people: "40 ms", "1.5 s", "2 min", "30 d".
func FormatDuration(d time.Duration) string {
	const day = 24 * time.Hour
	size := d.Abs()
	switch {
	case size >= day && size%day == 0:
		return strconv.FormatInt(int64(d/day), 10) + " d"
	case size >= 2*time.Minute && size%time.Minute == 0:
		return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
	case size >= time.Second || d == 0:
		return decimal(d, time.Second) + " s"
	case size >= time.Millisecond:
		return decimal(d, time.Millisecond) + " ms"
	}
	return decimal(d, time.Microsecond) + " us"
}

// decimal is d in the unit, exactly, without trailing zeros.
func decimal(d, in time.Duration) string {
	sign := ""
	if d < 0 {
		sign = "-"
	}
	whole, rest := d/in, d%in
	if whole < 0 {
		whole = -whole
	}
	if rest < 0 {
		rest = -rest
	}
	if rest == 0 {
		return sign + strconv.FormatInt(int64(whole), 10)
	}
	digits := len(strconv.FormatInt(int64(in), 10)) - 1
	fraction := fmt.Sprintf("%0*d", digits, int64(rest))
	return sign + strconv.FormatInt(int64(whole), 10) + "." + strings.TrimRight(fraction, "0")
}

// Sentence is the rule as a person reads it aloud, each number in the unit of
// its limit.
func (r *Rule) Sentence() string {
	var b strings.Builder
	switch r.While {
	case Armed:
		b.WriteString("While armed: ")
	case Airborne:
		b.WriteString("While airborne: ")
	}
	b.WriteString(act(r.Stop, r.Grace))
	fmt.Fprintf(&b, " if %s %s", r.Watch, r.Condition())
	if r.Lasting > 0 {
		b.WriteString(" for " + FormatDuration(r.Lasting))
	}
	if r.HasCaution {
		b.WriteString("; caution " + r.cautionText())
	}
	b.WriteString(". No good value for " + FormatDuration(r.StaleAfter) + ": " + lowerFirst(act(r.MissingStop, r.MissingGrace)) + ".")
	return b.String()
}

// act is what a stop does, as the beginning of a sentence.
func act(stop Stop, grace time.Duration) string {
	switch stop {
	case Immediate:
		return "Power off at once"
	case Controlled:
		return "Bring it down, power off when down or after " + FormatDuration(grace) + ","
	}
	return "Caution only"
}

func lowerFirst(s string) string {
	return strings.TrimSuffix(strings.ToLower(s[:1])+s[1:], ",")
}

// Condition is what the rule's channel may not do, such as "is above 1800 N".
func (r *Rule) Condition() string {
	switch r.Form {
	case Above:
		return "is above " + r.show(r.Limit)
	case Below:
		return "is below " + r.show(r.Limit)
	case Outside:
		return "is outside " + r.show(r.Limit) + " to " + r.show(r.LimitHigh)
	case RisingFaster:
		return "rises faster than " + r.show(r.Limit) + " (over " + FormatDuration(r.Over) + ")"
	case FallingFaster:
		return "falls faster than " + r.show(r.Limit) + " (over " + FormatDuration(r.Over) + ")"
	case Is:
		return "is " + r.show(r.Limit)
	}
	return "is not " + r.show(r.Limit)
}

func (r *Rule) cautionText() string {
	switch r.Form {
	case Above, RisingFaster, FallingFaster:
		return "above " + r.show(r.Caution)
	case Below:
		return "below " + r.show(r.Caution)
	}
	return "outside " + r.show(r.Caution) + " to " + r.show(r.CautionHigh)
}

func (r *Rule) show(v float64) string { return showLimit(r.Watch, v, r.Unit) }

func showLimit(watch ChannelID, v float64, unit string) string {
	if watch.Channel().Kind == Flag {
		return strconv.FormatBool(v != 0)
	}
	return FormatExact(v, unit)
}

// Sentence is the permissive as a person reads it aloud.
func (p *Permissive) Sentence() string {
	return fmt.Sprintf("To start, %s. No good value for %s: no start.", p.Condition(), FormatDuration(p.StaleAfter))
}

// Condition is what must be so, such as "wind.peak10min must be 15 mph or less".
func (p *Permissive) Condition() string {
	show := func(v float64) string { return showLimit(p.Watch, v, p.Unit) }
	must := p.Watch.String() + " must "
	switch p.Form {
	case Above:
		return must + "be " + show(p.Limit) + " or more"
	case Below:
		return must + "be " + show(p.Limit) + " or less"
	case Outside:
		return must + "be outside " + show(p.Limit) + " to " + show(p.LimitHigh)
	case IsNot:
		return must + "not be " + show(p.Limit)
	}
	return must + "be " + show(p.Limit)
}
