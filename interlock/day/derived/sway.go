package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// swaySpan is the time over which sideways movement is taken peak to peak: a
// pendulum of 6 m swings once in about 5 s (2π√(l/g)).
const swaySpan = 5 * time.Second

// sway is the peak-to-peak sideways movement over 5 s: the diagonal of the box,
// north by east, that holds every place of them. A straight swing reads at least
// its length in every direction, a round one at most √2 of its width: on the high
// side.
//
// It has no value until 5 s are covered from a first place on, and starts anew
// after half of that without a place: what swung out meanwhile nobody saw. The trigger is east, the
// later of the two in LOCAL_POSITION_NED.
type sway struct {
	untimed
	window                                     window        // counts samples; holds nothing of their value
	heard                                      time.Duration // the last place; meaningless while none is in window
	northLeast, northMost, eastLeast, eastMost extreme
}

func newSway() *sway {
	period := rules.East.Channel().Period
	return &sway{
		window:     newWindow(swaySpan, period),
		northLeast: newExtreme(swaySpan, period, true),
		northMost:  newExtreme(swaySpan, period, false),
		eastLeast:  newExtreme(swaySpan, period, true),
		eastMost:   newExtreme(swaySpan, period, false),
	}
}

func (s *sway) Trigger() rules.ChannelID { return rules.East }
func (s *sway) Output() rules.ChannelID  { return rules.Sway }

func (s *sway) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	east, north := t[rules.East], fresh(t, rules.North, at)
	ok := east.Quality != rules.Missing && north.Quality != rules.Missing
	anew := s.window.valid == 0 || at-s.heard > swaySpan/2
	if anew {
		s.window.clear()
	}
	s.window.add(at, 0, ok)
	for _, e := range [...]*extreme{&s.northLeast, &s.northMost, &s.eastLeast, &s.eastMost} {
		if e.evict(at); anew {
			e.clear()
		}
	}
	if !ok {
		return publish(0, east, north), true
	}
	s.heard = at
	s.northLeast.add(at, north.Value)
	s.northMost.add(at, north.Value)
	s.eastLeast.add(at, east.Value)
	s.eastMost.add(at, east.Value)
	if !s.window.full(at) {
		return missing(rules.NotFilled), true
	}
	x, y := s.northMost.value()-s.northLeast.value(), s.eastMost.value()-s.eastLeast.value()
	r := publish(math.Sqrt(float64(x*x)+float64(y*y)), east, north)
	if 2*s.window.valid < s.window.n {
		r = doubt(r, rules.InputMissing)
	}
	return r, true
}

func (s *sway) Clone() limits.Calculator {
	c := *s
	c.window = s.window.clone()
	c.northLeast, c.northMost = s.northLeast.clone(), s.northMost.clone()
	c.eastLeast, c.eastMost = s.eastLeast.clone(), s.eastMost.clone()
	return &c
}
