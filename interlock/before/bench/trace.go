package bench

import (
	"time"

	"downhaul/interlock"
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
	rates   bool
	last    [rules.ChannelCount]limits.Reading
}

// Course is the course of one quantity over a recording.
type Course struct {
	Channel rules.ChannelID
	// Rules are the rules that watch it, by their place in the envelope.
	Rules []int
	// Rate reports whether the values are the rate of change that its one rule judges.
	Rate bool

	slices [mostSlices]slice
	width  time.Duration
	used   int
}

// slice holds what came within one stretch of time.
type slice struct {
	set         bool
	first, last time.Duration
	low, high   float64
	lowFirst    bool
}

// mostSlices is finer than any picture is wide; firstWidth is the width to
// begin with, which doubles when the recording turns out to be longer. Ours.
const (
	mostSlices = 2048
	firstWidth = 10 * time.Millisecond
)

// Point is the least or the greatest value of one stretch of time.
type Point struct {
	At    time.Duration
	Value float64
}

// NewTrace makes a trace for the rules of an envelope.
func NewTrace(env *rules.Envelope) *Trace {
	t := &Trace{}
	for i := range env.Rules {
		r := &env.Rules[i]
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			t.rates = true
			t.Courses = append(t.Courses, &Course{Channel: r.Watch, Rules: []int{i}, Rate: true, width: firstWidth})
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
	t.Courses = append(t.Courses, &Course{Channel: id, Rules: []int{rule}, width: firstWidth})
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

func (c *Course) add(at time.Duration, v float64) {
	for at/c.width >= mostSlices {
		c.halve()
	}
	i := int(at / c.width)
	c.used = max(c.used, i+1)
	s := &c.slices[i]
	switch {
	case !s.set:
		*s = slice{set: true, first: at, low: v, high: v}
	case v < s.low:
		s.low, s.lowFirst = v, false
	case v > s.high:
		s.high, s.lowFirst = v, true
	}
	s.last = at
}

// halve joins neighbours, so that twice the time fits.
func (c *Course) halve() {
	for i := range mostSlices {
		if i < mostSlices/2 {
			c.slices[i] = join(c.slices[2*i], c.slices[2*i+1])
		} else {
			c.slices[i] = slice{}
		}
	}
	c.width *= 2
	c.used = (c.used + 1) / 2
}

func join(a, b slice) slice {
	if !a.set || !b.set {
		if b.set {
			return b
		}
		return a
	}
	return slice{set: true, first: a.first, last: b.last, low: min(a.low, b.low), high: max(a.high, b.high),
		lowFirst: a.low < b.low}
}

// Lines is the course as lines with the spikes kept: a new line begins where
// nothing came for longer than gap.
func (c *Course) Lines(gap time.Duration) [][]Point {
	var out [][]Point
	var line []Point
	last := time.Duration(0)
	for i := range c.used {
		s := &c.slices[i]
		if !s.set {
			continue
		}
		if len(line) > 0 && s.first-last > gap {
			out, line = append(out, line), nil
		}
		a, b := s.high, s.low
		if s.lowFirst {
			a, b = b, a
		}
		line = append(line, Point{s.first, a})
		if a != b {
			line = append(line, Point{s.last, b})
		}
		last = s.last
	}
	if len(line) > 0 {
		out = append(out, line)
	}
	return out
}
