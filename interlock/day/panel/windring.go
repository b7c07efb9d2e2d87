package panel

import "time"

// The wind that is remembered for showing: ten minutes (WMO-No. 8: the span of
// the mean) in steps of five seconds.
const (
	windStep  = 5 * time.Second
	windSteps = int(10 * time.Minute / windStep)
)

// windPast is one step of the past wind, in m/s: the mean of the speeds that were
// looked at in it, and the highest 3 s gust, null where none was known. Index is
// the engine time over windStep, Count how many speeds there were.
type windPast struct {
	Index int64
	Count int
	Mean  float64
	Gust  *float64
}

// windRing remembers the steps of the last ten minutes, in any one unit.
type windRing struct {
	steps [windSteps]windEntry
}

type windEntry struct {
	index     int64 // 0 with n 0: unused
	n         int
	sum, gust float64
	hasGust   bool
}

// of is the step of an index; what stood in its place ten minutes before is gone.
func (w *windRing) of(index int64) *windEntry {
	s := &w.steps[index%int64(windSteps)]
	if s.index != index || s.n == 0 {
		*s = windEntry{index: index}
	}
	return s
}

// take looks at the wind once; hasGust reports whether a gust is known. Times are not
// negative and never run back.
func (w *windRing) take(at time.Duration, speed, gust float64, hasGust bool) {
	s := w.of(int64(at / windStep))
	s.n++
	s.sum += speed
	if hasGust && (!s.hasGust || gust > s.gust) {
		s.gust, s.hasGust = gust, true
	}
}

// list returns the steps up to now, oldest first.
func (w *windRing) list(now time.Duration) []windPast {
	out := []windPast{}
	last := int64(now / windStep)
	for index := max(0, last-int64(windSteps)+1); index <= last; index++ {
		s := &w.steps[index%int64(windSteps)]
		if s.index != index || s.n == 0 {
			continue
		}
		p := windPast{Index: index, Count: s.n, Mean: s.sum / float64(s.n)}
		if s.hasGust {
			gust := s.gust
			p.Gust = &gust
		}
		out = append(out, p)
	}
	return out
}
