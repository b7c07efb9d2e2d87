package guard

import (
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// The wind that is remembered for showing: ten minutes (WMO-No. 8: the span of
// the mean) in steps of five seconds.
const (
	WindStep  = 5 * time.Second
	windSteps = int(10 * time.Minute / WindStep)
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

// windRing remembers the wind. It is as old as the session, whoever looks.
type windRing struct {
	steps [windSteps]windStep
}

type windStep struct {
	index     int64 // 0 with n 0: unused
	n         int
	sum, gust float64
	hasGust   bool
}

// take looks at the wind once.
func (w *windRing) take(at time.Duration, speed, gust derived.Reading) {
	if speed.Quality != rules.Good {
		return
	}
	index := int64(at / WindStep)
	s := &w.steps[index%int64(windSteps)]
	if s.index != index || s.n == 0 {
		*s = windStep{index: index}
	}
	s.n++
	s.sum += speed.Value
	if gust.Quality == rules.Good && (!s.hasGust || gust.Value > s.gust) {
		s.gust, s.hasGust = gust.Value, true
	}
}

// past are the steps of the last ten minutes, oldest first.
func (w *windRing) past(now time.Duration) []WindPast {
	out := []WindPast{}
	last := int64(now / WindStep)
	for index := max(0, last-int64(windSteps)+1); index <= last; index++ {
		s := &w.steps[index%int64(windSteps)]
		if s.index != index || s.n == 0 {
			continue
		}
		p := WindPast{Index: index, Count: s.n, Mean: s.sum / float64(s.n)}
		if s.hasGust {
			p.Gust = some(s.gust)
		}
		out = append(out, p)
	}
	return out
}

// windPast is what the snapshot remembers of the wind.
func (g *Guard) windPast() []WindPast {
	g.shot.mu.Lock()
	defer g.shot.mu.Unlock()
	return g.shot.wind.past(g.shot.view.At)
}
