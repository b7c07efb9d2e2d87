package rules

import (
	"fmt"
	"math"
	"slices"

	"downhaul/rules/document"
)

// tried are values from low to high by which a set with borders at the limits is told
// to be empty or whole: both ends, the limits between them, and what lies between two
// neighbours; of a flag, both.
func tried(flag bool, low, high float64, limits ...float64) []float64 {
	if flag {
		return []float64{0, 1}
	}
	all := []float64{low, high}
	for _, v := range limits {
		if v > low && v < high {
			all = append(all, v)
		}
	}
	slices.Sort(all)
	for i := len(all) - 1; i > 0; i-- {
		all = append(all, float64(all[i-1]/2)+float64(all[i]/2))
	}
	return all
}

// reach reports whether no value that the channel can have is in a set, or every one is.
func reach(c Channel, in func(v float64) bool, limits ...float64) (none, every bool) {
	all := tried(c.Kind == Flag, c.Low, c.High, limits...)
	return !slices.ContainsFunc(all, in), !slices.ContainsFunc(all, func(v float64) bool { return !in(v) })
}

// Reach reports whether the rule could never act, or would always, because of where the
// channel's values can lie at all. Rates have no such bounds.
func (r *Rule) Reach() (never, always bool) {
	if r.Form == RisingFaster || r.Form == FallingFaster {
		return false, false
	}
	return reach(r.Watch.Channel(), func(v float64) bool { return r.Side(v) == Beyond }, r.Limit, r.LimitHigh)
}

// refuseReach refuses a limit that is never past, or always.
func refuseReach(t *document.Table, key string, c Channel, unit string, never, always bool, neverSays, alwaysSays string) {
	wrong := neverSays
	switch {
	case never:
	case always:
		wrong = alwaysSays
	default:
		return
	}
	t.Fault(key, wrong, showValue(t.Value(key)), fmt.Sprintf("%s runs from %s to %s", c.Name, Format(c.Low, unit), Format(c.High, unit)))
}

// checkRate refuses a rate of 0 or less, and one that the channel cannot reach
// within its plausible range.
func checkRate(t *document.Table, key string, c Channel, r *Rule) {
	if r.Limit <= 0 {
		t.Fault(key, "must be more than 0", t.Got(key), "write how fast, as a positive rate; the key says which way")
		return
	}
	if span, far := r.RateSpan(); far {
		t.Fault(key, fmt.Sprintf("a rule that can never act: %s would have to change by %s in %s", c.Name, Format(span, SIUnit(c.Kind)), FormatDuration(r.Over)),
			t.Got(key), fmt.Sprintf("it runs from %s to %s", Format(c.Low, SIUnit(c.Kind)), Format(c.High, SIUnit(c.Kind))))
	}
}

// RateSpan is how far the channel would change at the limit's rate over the
// span of the slope; far reports whether it cannot.
func (r *Rule) RateSpan() (span float64, far bool) {
	c := r.Watch.Channel()
	span = float64(r.Limit * r.Over.Seconds())
	return span, span >= c.High-c.Low
}

// left reports whether some value is allowed by every one of the rules and permissives.
func left(flag bool, allow []func(v float64) bool, limits []float64) bool {
	return slices.ContainsFunc(tried(flag, -math.MaxFloat64, math.MaxFloat64, limits...), func(v float64) bool {
		return !slices.ContainsFunc(allow, func(f func(float64) bool) bool { return !f(v) })
	})
}

// findContradictions refuses rows that together leave no value of a channel
// allowed. The phases of rules do not part them: a craft that is airborne is
// armed too. Permissives are held against the rules that always count.
func findContradictions(d *document.Document, e *Envelope) {
	type allow = []func(float64) bool
	for id := NoChannel + 1; id < ChannelCount; id++ {
		flag := id.Channel().Kind == Flag
		var whole, always, start allow
		var limits []float64
		bad := false
		for i := range e.Rules {
			r := &e.Rules[i]
			if r.Watch != id || bad || r.Form == RisingFaster || r.Form == FallingFaster {
				continue
			}
			takes := func(v float64) bool { return r.Side(v) != Beyond }
			whole, limits = append(whole, takes), append(limits, r.Limit, r.LimitHigh)
			if r.While == Always && r.Stop != NoStop {
				always = append(always, takes)
			}
			if bad = !left(flag, whole, limits); bad {
				d.Add(Fault{Line: r.Line, Key: fmt.Sprintf("rule[%d]", rowAt(d.Root().Rows("rule"), r.Line)), Wrong: fmt.Sprintf("contradicts the rules above: no value of %s is left", id),
					Got: document.Quote(r.Name), Mend: "mend one of them"})
			}
		}
		if bad {
			continue
		}
		for i := range e.Permissives {
			p := &e.Permissives[i]
			if p.Watch != id {
				continue
			}
			start, always, limits = append(start, p.Holds), append(always, p.Holds), append(limits, p.Limit, p.LimitHigh)
			wrong := ""
			if !left(flag, start, limits) {
				wrong = "contradicts the permissives above: no value of " + id.String() + " is left"
			} else if !left(flag, always, limits) {
				wrong = "contradicts the rules: every value of " + id.String() + " that allows a start trips"
			}
			if wrong != "" {
				d.Add(Fault{Line: p.Line, Key: fmt.Sprintf("permissive[%d]", rowAt(d.Root().Rows("permissive"), p.Line)), Wrong: wrong, Got: document.Quote(p.Name), Mend: "mend one of them"})
				break
			}
		}
	}
}

// rowAt is the number of the row whose header stands on that line; rows that
// could not be read have left gaps in the envelope's own lists.
func rowAt(rows []*document.Table, line int) int {
	return slices.IndexFunc(rows, func(t *document.Table) bool { return t.Line() == line }) + 1
}
