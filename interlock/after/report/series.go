package report

import (
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// bucket is what a stretch of time held: its lowest and highest value, and
// whether the channel went missing in it.
type bucket struct {
	low, high     float64
	lowAt, highAt time.Duration
	used, gap     bool
}

// series keeps the shape of a channel in a bounded number of buckets, however
// long it is: when the last one is full, neighbours are joined and all become
// twice as wide. A peak never gets lost.
type series struct {
	from, to time.Duration // what is outside is left out
	width    time.Duration
	most     int
	buckets  []bucket
	last     limits.Reading // the last one before from, for the beginning
	hasLast  bool
}

// newSeries keeps what lies from from on until to, in at most most buckets.
func newSeries(from, to time.Duration, most int) *series {
	s := &series{from: from, to: to, most: most, width: 10 * time.Millisecond}
	if to != rules.Never {
		s.width = max(time.Millisecond, (to-from)/time.Duration(most)+1)
	}
	return s
}

func (s *series) take(at time.Duration, r limits.Reading) {
	if at < s.from || at > s.to {
		if at < s.from {
			s.last, s.hasLast = r, r.Quality != rules.Missing
		}
		return
	}
	i := int((at - s.from) / s.width)
	for i >= s.most {
		s.join()
		i = int((at - s.from) / s.width)
	}
	for len(s.buckets) <= i {
		s.buckets = append(s.buckets, bucket{})
	}
	b := &s.buckets[i]
	if r.Quality == rules.Missing {
		b.gap = true
		return
	}
	if !b.used || r.Value < b.low {
		b.low, b.lowAt = r.Value, at
	}
	if !b.used || r.Value > b.high {
		b.high, b.highAt = r.Value, at
	}
	b.used = true
}

func (s *series) join() {
	n := (len(s.buckets) + 1) / 2
	for i := range n {
		b := s.buckets[2*i]
		if 2*i+1 < len(s.buckets) {
			b = joined(b, s.buckets[2*i+1])
		}
		s.buckets[i] = b
	}
	s.buckets = s.buckets[:n]
	s.width *= 2
}

func joined(a, b bucket) bucket {
	a.gap = a.gap || b.gap
	switch {
	case !b.used:
		return a
	case !a.used:
		b.gap = a.gap
		return b
	}
	if b.low < a.low {
		a.low, a.lowAt = b.low, b.lowAt
	}
	if b.high > a.high {
		a.high, a.highAt = b.high, b.highAt
	}
	return a
}

// curves are the stretches without a gap. A silence longer than that also
// breaks a curve.
func (s *series) curves(silence time.Duration) [][]picture.Point {
	silence = max(silence, 2*s.width)
	var out [][]picture.Point
	var now []picture.Point
	end := func() {
		if len(now) > 0 {
			out = append(out, now)
		}
		now = nil
	}
	add := func(p picture.Point) {
		if n := len(now); n > 0 && p.At-now[n-1].At > silence {
			end()
		}
		now = append(now, p)
	}
	if s.hasLast && s.from-s.last.At <= silence {
		add(picture.Point{At: s.from, V: s.last.Value})
	}
	for _, b := range s.buckets {
		if b.gap && !b.used {
			end()
			continue
		}
		if !b.used {
			continue
		}
		first, second := picture.Point{At: b.lowAt, V: b.low}, picture.Point{At: b.highAt, V: b.high}
		if second.At < first.At {
			first, second = second, first
		}
		add(first)
		if second.At > first.At {
			add(second)
		}
	}
	end()
	return out
}

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
