package picture

import (
	"time"

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

// Course keeps the shape of a channel in a bounded number of buckets, however
// long it is: when the last one is full, neighbours are joined and all become
// twice as wide. A peak never gets lost.
type Course struct {
	from, to time.Duration // what is outside is left out
	width    time.Duration
	most     int
	buckets  []bucket
	last     limits.Reading // the last one before from, for the beginning
	hasLast  bool
}

// NewCourse keeps what lies from from on until to, in at most most buckets.
func NewCourse(from, to time.Duration, most int) *Course {
	s := &Course{from: from, to: to, most: most, width: 10 * time.Millisecond}
	if to != rules.Never {
		s.width = max(time.Millisecond, (to-from)/time.Duration(most)+1)
	}
	return s
}

// Take takes a value; a missing one is a gap.
func (s *Course) Take(at time.Duration, r limits.Reading) {
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

func (s *Course) join() {
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

// Curves are the stretches without a gap. A silence longer than that also
// breaks a curve.
func (s *Course) Curves(silence time.Duration) [][]Point {
	silence = max(silence, 2*s.width)
	var out [][]Point
	var now []Point
	end := func() {
		if len(now) > 0 {
			out = append(out, now)
		}
		now = nil
	}
	add := func(p Point) {
		if n := len(now); n > 0 && p.At-now[n-1].At > silence {
			end()
		}
		now = append(now, p)
	}
	if s.hasLast && s.from-s.last.At <= silence {
		add(Point{At: s.from, V: s.last.Value})
	}
	for _, b := range s.buckets {
		if b.gap && !b.used {
			end()
			continue
		}
		if !b.used {
			continue
		}
		first, second := Point{At: b.lowAt, V: b.low}, Point{At: b.highAt, V: b.high}
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
