package report

import (
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// series is a course that listens to a channel.
type series struct{ *picture.Course }

func newSeries(from, to time.Duration, most int) *series {
	return &series{picture.NewCourse(from, to, most)}
}

func (s *series) take(at time.Duration, r limits.Reading) { s.Take(at, r) }

// extreme keeps the highest value, or the lowest, of a stretch of time.
type extreme struct {
	from, to time.Duration
	lowest   bool
	value    float64
	at       time.Duration
	ok       bool
}

func (e *extreme) take(at time.Duration, r limits.Reading) {
	if at < e.from || at > e.to || r.Quality == rules.Missing {
		return
	}
	if !e.ok || e.lowest && r.Value < e.value || !e.lowest && r.Value > e.value {
		e.value, e.at, e.ok = r.Value, at, true
	}
}

// quantity is the extreme, nil where there was no value.
func (e *extreme) quantity(k rules.Kind, shown string) *Quantity {
	if e == nil || !e.ok {
		return nil
	}
	return quantity(e.value, k, shown)
}
