package derived

import (
	"math"
	"time"

	"downhaul/rules"
)

const (
	// homeMoves is how far home may wander before it counts as moved, level or
	// up and down: a metre of height is what promise 14 allows.
	homeMoves = 1.0 // m
	// homeRests is how long home must have stayed put before a height above
	// it is believed again.
	homeRests = 10 * time.Second
	// earthRadius is the equatorial radius of WGS 84, m.
	earthRadius = 6378137.0
)

// home watches the place that heights are counted from.
//
// A height above a home that moved is a height above another place, and no
// later message says by how much the pad is off. So a move stands until the
// craft says, freshly, that it is disarmed, and home has rested for 10 s: then
// the craft is where its crew can see that the height reads right. Unknown
// counts as armed. A craft that sets its home when it is armed must therefore be
// close to its old home, or be disarmed and left for 10 s.
type home struct {
	known      [3]bool    // latitude, longitude, altitude heard
	place      [3]float64 // rad, rad, m
	moved      bool
	restedFrom time.Duration // engine time of the last move
}

var homeChannels = [3]rules.ChannelID{rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude}

func (h *home) look(at time.Duration, t *Table) {
	now := h.place
	for i, id := range homeChannels {
		if r := t[id]; r.Quality != rules.Missing {
			now[i] = r.Value
			if !h.known[i] {
				h.known[i], h.place[i] = true, r.Value
			}
		}
	}
	north := float64(earthRadius * (now[0] - h.place[0]))
	east := float64(float64(earthRadius*turn(now[1]-h.place[1])) * Cos(now[0]))
	level := math.Sqrt(float64(north*north) + float64(east*east))
	if level > homeMoves || math.Abs(now[2]-h.place[2]) > homeMoves {
		h.moved, h.restedFrom, h.place = true, at, now
		return
	}
	if h.moved && at-h.restedFrom >= homeRests {
		armed := fresh(t, rules.CraftArmed, at)
		if armed.Quality == rules.Good && armed.Value == 0 {
			h.moved, h.restedFrom = false, 0
		}
	}
}

// turn brings a difference of longitudes, in rad, to the short way round.
func turn(d float64) float64 {
	switch {
	case d > math.Pi:
		return d - 2*math.Pi
	case d < -math.Pi:
		return d + 2*math.Pi
	}
	return d
}

func (h *home) appendState(dst []byte, now time.Duration) []byte {
	for i := range h.known {
		dst = appendFloat(appendFlag(dst, h.known[i]), h.place[i])
	}
	dst = appendFlag(dst, h.moved)
	if h.moved {
		dst = appendAge(dst, now, h.restedFrom, homeRests)
	}
	return dst
}
