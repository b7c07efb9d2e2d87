package rules

import (
	"fmt"
	"math"

	"downhaul/rules/document"
)

// checkReach refuses a limit that can never act, or that always does, because
// of where the channel's values can lie at all.
func checkReach(t *document.Table, key string, c Channel, form Form, l limit, start bool) {
	never, always := Reach(c, form, l.low, l.high)
	wrong := ""
	switch {
	case start && form == Above:
		// For starting the two change places: above must be reached to hold.
		wrong = startReach(l.low > c.High, l.low <= c.Low)
	case start && form == Below:
		wrong = startReach(l.low < c.Low, l.low >= c.High)
	case start && form == Outside:
		wrong = startReach(never, l.low >= c.High || l.high <= c.Low)
	case start:
		wrong = startReach(never, always)
	case never:
		wrong = "a rule that can never act"
	case always:
		wrong = "a rule that would always act"
	}
	if wrong == "" {
		return
	}
	low, high := Format(c.Low, l.unit), Format(c.High, l.unit)
	t.Fault(key, wrong, showValue(t.Value(key)), fmt.Sprintf("%s runs from %s to %s", c.Name, low, high))
}

// Reach reports whether a rule with that limit could never act, or would always.
func Reach(c Channel, form Form, low, high float64) (never, always bool) {
	switch form {
	case Above:
		return low >= c.High, low < c.Low
	case Below:
		return low <= c.Low, low > c.High
	case Outside:
		return low <= c.Low && high >= c.High, low > c.High || high < c.Low
	case Is:
		return low < c.Low || low > c.High, false
	case IsNot:
		return false, low < c.Low || low > c.High
	}
	return false, false
}

func startReach(never, always bool) string {
	switch {
	case never:
		return "a start that is never allowed"
	case always:
		return "a condition that always holds"
	}
	return ""
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
// span of the slope; far says that it cannot.
func (r *Rule) RateSpan() (span float64, far bool) {
	c := r.Watch.Channel()
	span = float64(r.Limit * r.Over.Seconds())
	return span, span >= c.High-c.Low
}

// allowed is the set of values of one channel that some rows together leave.
type allowed struct {
	low, high float64
	must      float64
	hasMust   bool
	not       []float64
	gaps      [][2]float64 // open intervals that are not allowed
}

// forbid takes away what a rule of that form does not allow.
func (a *allowed) forbid(form Form, limit, limitHigh float64) {
	switch form {
	case Above:
		a.high = min(a.high, limit)
	case Below:
		a.low = max(a.low, limit)
	case Outside:
		a.low, a.high = max(a.low, limit), min(a.high, limitHigh)
	case Is:
		a.not = append(a.not, limit)
	case IsNot:
		a.demand(limit)
	}
}

// require takes away what a permissive of that form does not allow.
func (a *allowed) require(form Form, limit, limitHigh float64) {
	switch form {
	case Above:
		a.low = max(a.low, limit)
	case Below:
		a.high = min(a.high, limit)
	case Outside:
		a.gaps = append(a.gaps, [2]float64{limit, limitHigh})
	case Is:
		a.demand(limit)
	case IsNot:
		a.not = append(a.not, limit)
	}
}

func (a *allowed) demand(v float64) {
	if a.hasMust && a.must != v {
		a.low, a.high = 1, 0 // two demands leave nothing
	}
	a.must, a.hasMust = v, true
}

// empty reports whether no value is left.
func (a *allowed) empty(flag bool) bool {
	if a.low > a.high {
		return true
	}
	if a.hasMust {
		return !a.leaves(a.must)
	}
	if flag {
		return !a.leaves(0) && !a.leaves(1)
	}
	if a.low == a.high {
		return !a.leaves(a.low)
	}
	for _, g := range a.gaps {
		if g[0] < a.low && a.high < g[1] {
			return true
		}
	}
	return false
}

func (a *allowed) leaves(v float64) bool {
	if v < a.low || v > a.high {
		return false
	}
	for _, n := range a.not {
		if n == v {
			return false
		}
	}
	for _, g := range a.gaps {
		if v > g[0] && v < g[1] {
			return false
		}
	}
	return true
}

// findContradictions refuses rows that together leave no value of a channel
// allowed. The phases of rules do not part them: a craft that is airborne is
// armed too. Permissives are held against the rules that always count.
func findContradictions(d *document.Document, e *Envelope) {
	for id := NoChannel + 1; id < ChannelCount; id++ {
		flag := id.Channel().Kind == Flag
		whole := allowed{low: math.Inf(-1), high: math.Inf(1)}
		always := whole
		bad := false
		for i := range e.Rules {
			r := &e.Rules[i]
			if r.Watch != id || bad {
				continue
			}
			whole.forbid(r.Form, r.Limit, r.LimitHigh)
			if r.While == Always && r.Stop != NoStop {
				always.forbid(r.Form, r.Limit, r.LimitHigh)
			}
			if bad = whole.empty(flag); bad {
				d.Add(Fault{Line: r.Line, Key: fmt.Sprintf("rule[%d]", rowAt(d.Root().Rows("rule"), r.Line)), Wrong: fmt.Sprintf("contradicts the rules above: no value of %s is left", id),
					Got: document.Quote(r.Name), Mend: "mend one of them"})
			}
		}
		if bad {
			continue
		}
		start := allowed{low: math.Inf(-1), high: math.Inf(1)}
		for i := range e.Permissives {
			p := &e.Permissives[i]
			if p.Watch != id {
				continue
			}
			start.require(p.Form, p.Limit, p.LimitHigh)
			always.require(p.Form, p.Limit, p.LimitHigh)
			wrong := ""
			if start.empty(flag) {
				wrong = "contradicts the permissives above: no value of " + id.String() + " is left"
			} else if always.empty(flag) {
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
	for i, t := range rows {
		if t.Line() == line {
			return i + 1
		}
	}
	return 0
}
