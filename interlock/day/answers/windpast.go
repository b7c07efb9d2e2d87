package answers

import "time"

// The wind that is remembered for showing: ten minutes (WMO-No. 8: the span of
// the mean) in steps of five seconds.
const (
	WindStep  = 5 * time.Second
	WindSteps = int(10 * time.Minute / WindStep)
)

// WindPast is one step of the past wind, in m/s: the mean of the speeds that were
// looked at in it, and the highest 3 s gust, null where none was known. Index is
// the engine time over WindStep, Count how many speeds there were.
type WindPast struct {
	Index int64    `json:"i"`
	Count int      `json:"n"`
	Mean  float64  `json:"mean"`
	Gust  *float64 `json:"gust"`
}

// WindRing remembers the steps of the last ten minutes, in any one unit.
type WindRing struct {
	steps [WindSteps]windStep
}

type windStep struct {
	index     int64 // 0 with n 0: unused
	n         int
	sum, gust float64
	hasGust   bool
}

// of is the step of an index; what stood in its place ten minutes before is gone.
func (w *WindRing) of(index int64) *windStep {
	s := &w.steps[index%int64(WindSteps)]
	if s.index != index || s.n == 0 {
		*s = windStep{index: index}
	}
	return s
}

// Take looks at the wind once; hasGust reports whether a gust is known. Times are not
// negative and never run back.
func (w *WindRing) Take(at time.Duration, speed, gust float64, hasGust bool) {
	s := w.of(int64(at / WindStep))
	s.n++
	s.sum += speed
	if hasGust && (!s.hasGust || gust > s.gust) {
		s.gust, s.hasGust = gust, true
	}
}

// Put takes over a step as it was told, in the place of what is known of it.
func (w *WindRing) Put(p WindPast) {
	s := w.of(p.Index)
	s.n, s.sum, s.hasGust = p.Count, p.Mean*float64(p.Count), p.Gust != nil
	if s.hasGust {
		s.gust = *p.Gust
	}
}

// Past are the steps up to now, oldest first.
func (w *WindRing) Past(now time.Duration) []WindPast {
	out := []WindPast{}
	last := int64(now / WindStep)
	for index := max(0, last-int64(WindSteps)+1); index <= last; index++ {
		s := &w.steps[index%int64(WindSteps)]
		if s.index != index || s.n == 0 {
			continue
		}
		p := WindPast{Index: index, Count: s.n, Mean: s.sum / float64(s.n)}
		if s.hasGust {
			gust := s.gust
			p.Gust = &gust
		}
		out = append(out, p)
	}
	return out
}
