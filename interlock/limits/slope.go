package limits

import (
	"math"
	"time"
)

// slopeParts is into how many parts a slope's span is divided: of samples that
// come faster only one a part is kept as a starting point.
const slopeParts = 64

// Slope is the rate of change of a value over a span of time, for the rules
// that limit how fast something may rise or fall. Its memory is fixed.
//
// The rate is that between the new sample and the newest kept one that is at
// least the span old. The kept one may be older than the span: by a 64th of it,
// plus the time between two samples, plus any silence. A rate across a silence is
// an average in which a steep fall disappears: who wants none calls Reset.
type Slope struct {
	over    time.Duration
	head, n int
	ring    [slopeParts + 4]slopeSample
}

type slopeSample struct {
	at time.Duration
	v  float64
}

// NewSlope makes a Slope over the span over, of 4096 ns at least: below that a
// 64th of it is no whole number of nanoseconds near enough for the ring.
func NewSlope(over time.Duration) *Slope { return &Slope{over: max(slopeParts*slopeParts, over)} }

// Add takes the sample v of the instant at, never earlier than the one before,
// and gives the rate per second; ok is false until there is a sample at least
// the span old, and for a v or a rate that is no finite number.
func (s *Slope) Add(at time.Duration, v float64) (rate float64, ok bool) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, false
	}
	rate, ok = s.Peek(at, v)
	if s.n == 0 || at-s.kept(s.n-1).at >= s.over/slopeParts {
		s.n++ // never past the ring: what is older than the span has left, and parts are no shorter than over/slopeParts less 1 ns
		*s.kept(s.n - 1) = slopeSample{at: at, v: v}
	}
	return rate, ok
}

// Peek gives the rate that Add would, and keeps nothing of v: a doubtful value
// may count against a limit, and no later rate may rest on it.
func (s *Slope) Peek(at time.Duration, v float64) (rate float64, ok bool) {
	if s.n == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, false
	}
	// The second kept sample takes over as soon as it is old enough.
	for s.n > 1 && at-s.kept(1).at >= s.over {
		s.head = (s.head + 1) % len(s.ring)
		s.n--
	}
	old := s.kept(0)
	if at-old.at < s.over {
		return 0, false
	}
	rate = (v - old.v) / (float64(at-old.at) / 1e9)
	if math.IsInf(rate, 0) {
		return 0, false
	}
	return rate + 0, true // −0 becomes 0
}

func (s *Slope) kept(k int) *slopeSample { return &s.ring[(s.head+k)%len(s.ring)] }

// Reset forgets every sample.
func (s *Slope) Reset() { *s = Slope{over: s.over} }
