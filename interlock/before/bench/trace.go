package bench

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Trace keeps the course of everything that the rules of an envelope watch, in
// bounded memory, for pictures. It decides nothing.
type Trace struct {
	// Courses has one row for every watched channel in the order of the rules,
	// and one for every rule on a rate of change.
	Courses []*Course
	view    interlock.View
	last    [rules.ChannelCount]limits.Reading
}

// Course is the course of one quantity over a recording.
type Course struct {
	Channel rules.ChannelID
	// Rules are the rules that watch it, by their place in the envelope.
	Rules []int
	// Rate reports whether the values are the rate of change that its one rule judges.
	Rate bool
	*picture.Course
}

// mostBuckets is finer than any picture is wide; ours.
const mostBuckets = 2048

// NewTrace makes a trace for the rules of an envelope.
func NewTrace(env *rules.Envelope) *Trace {
	t := &Trace{}
	for i := range env.Rules {
		r := &env.Rules[i]
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			t.Courses = append(t.Courses, &Course{Channel: r.Watch, Rules: []int{i}, Rate: true, Course: newCourse()})
			continue
		}
		t.of(r.Watch, i)
	}
	return t
}

func (t *Trace) of(id rules.ChannelID, rule int) {
	for _, c := range t.Courses {
		if c.Channel == id && !c.Rate {
			c.Rules = append(c.Rules, rule)
			return
		}
	}
	t.Courses = append(t.Courses, &Course{Channel: id, Rules: []int{rule}, Course: newCourse()})
}

// Tracing has the course of what the rules watch kept in t.
func Tracing(t *Trace) Option { return func(p *pass) { p.trace = t } }

// look is called after every input.
func (t *Trace) look(e *interlock.Engine) {
	viewed := false
	for _, c := range t.Courses {
		r := e.Reading(c.Channel)
		if r == t.last[c.Channel] || r.Quality == rules.Missing {
			continue
		}
		v := r.Value
		if c.Rate {
			if !viewed {
				e.View(&t.view)
				viewed = true
			}
			if !t.view.Rules[c.Rules[0]].HasValue {
				continue
			}
			v = t.view.Rules[c.Rules[0]].Value
		}
		if last := t.last[c.Channel]; c.Channel == rules.LinkAge && !c.Rate && v == 0 && last.Quality != rules.Missing && r.At > last.At {
			c.add(r.At-1, (r.At-1-last.At).Seconds()+last.Value) // what it had grown to
		}
		c.add(r.At, v)
	}
	for _, c := range t.Courses {
		t.last[c.Channel] = e.Reading(c.Channel)
	}
}

func newCourse() *picture.Course { return picture.NewCourse(0, rules.Never, mostBuckets) }

func (c *Course) add(at time.Duration, v float64) {
	c.Take(at, limits.Reading{At: at, Value: v, Quality: rules.Good})
}
