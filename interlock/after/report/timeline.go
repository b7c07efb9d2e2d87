package report

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"downhaul/interlock/records/timeofday"
)

// When is an instant of the engine's clock for people: the local time of day, where the
// clock was set, beside the seconds since the start.
func (s *Session) When(q *Quantity) string {
	if clock := s.Clocked(q); clock != "" {
		return clock + ", " + At(q)
	}
	return At(q)
}

// Clocked is the local time of day of an instant; empty where the clock was never set.
func (s *Session) Clocked(q *Quantity) string {
	if q == nil || s.Began.IsZero() {
		return ""
	}
	return timeofday.Clock(s.Began.Add(time.Duration(q.Value * 1e9)))
}

// Day is when the session began, with the offset of local time from UTC.
func (s *Session) Day() string {
	if s.Began.IsZero() {
		return "date not known"
	}
	return timeofday.Day(s.Began)
}

// Moment is one line of the timeline of a day.
type Moment struct {
	At   *Quantity
	What string
	// Class is "bad" for a trip or a fault, "near" for a near miss, empty for others.
	Class string
}

// Timeline is the day in its order: what was declared and marked, runs, first causes, and
// cautions, like ones as one.
func (s *Session) Timeline() []Moment {
	var out []Moment
	add := func(at *Quantity, class, what string, args ...any) {
		if at != nil {
			out = append(out, Moment{at, fmt.Sprintf(what, args...), class})
		}
	}
	for _, d := range s.Declared {
		add(d.At, "", "Declared %s", d.Says)
	}
	for _, x := range s.Said {
		add(x.At, "", "Mark: %s", x.Text)
	}
	for i := range s.Runs {
		r := &s.Runs[i]
		step := r.Step
		if step == "" {
			step = "no step declared"
		}
		add(r.Begin, "", "Run %d begins: %s", r.Number, step)
		class := ""
		if r.Trips > 0 || r.Fault != "" {
			class = "bad"
		}
		add(&Quantity{Value: r.Begin.Value + r.Lasted.Value, Unit: "s", shown: "s"}, class, "Run %d ends after %s: %s", r.Number, Took(r.Lasted), r.How)
	}
	for i := range s.Episodes[:min(len(s.Episodes), mostShots)] {
		t := &s.Episodes[i].Trips[0]
		add(t.At, "bad", "%s: %s", sentence0(t.Name()), t.Says)
	}
	for i := range s.Spans[:min(len(s.Spans), mostShaky)] {
		c := &s.Spans[i]
		class := ""
		if c.Near {
			class = "near"
		}
		times := ""
		if c.Count > 1 {
			times = fmt.Sprintf(", %d times", c.Count)
		}
		until := "stood until the end"
		if c.To != nil {
			until = "for " + Took(c.Lasted())
		}
		add(c.From, class, "Caution %s%s %s, worst %s, limit %s: %s", c.Rule, times, until, c.Worst, c.Limit, c.Came())
	}
	slices.SortStableFunc(out, func(a, b Moment) int { return cmp.Compare(a.At.Value, b.At.Value) })
	return out
}
