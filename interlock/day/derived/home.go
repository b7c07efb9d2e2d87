package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	// homeMoves is how far up or down home may wander before it counts as moved:
	// a metre of height is what promise 14 allows.
	homeMoves = 1.0 // m
	// homeWanders is the same on the level. Heights above home are told against
	// its altitude alone, so a level move counts only when it is no wandering of
	// the receiver any more but another place (common practice, no source).
	homeWanders = 10.0 // m
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
// counts as armed.
//
// Flight controllers set home anew when they are armed, and some follow with it
// while disarmed. So as long as the craft says, freshly, that it is disarmed, small
// moves are followed: they do not add up, and when it is armed only what home moves
// by then counts. The heights are told above the home that is followed, and that
// they read near zero is asked before a start.
type home struct {
	known      [3]bool    // latitude, longitude, altitude heard
	place      [3]float64 // rad, rad, m
	moved      bool
	restedFrom time.Duration // engine time of the last move
}

var homeChannels = [...]rules.ChannelID{rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude}

func (h *home) look(at time.Duration, t *limits.Table, s slow) {
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
	_, cos := sinCos(now[0])
	east := float64(float64(earthRadius*turn(now[1]-h.place[1])) * cos)
	level := math.Sqrt(float64(north*north) + float64(east*east))
	if level > homeWanders || math.Abs(now[2]-h.place[2]) > homeMoves {
		h.moved, h.restedFrom, h.place = true, at, now
		return
	}
	armed := s.fresh(t, rules.CraftArmed, at)
	if armed.Quality != rules.Good || armed.Value != 0 {
		return
	}
	h.place = now
	if h.moved && at-h.restedFrom >= homeRests {
		h.moved, h.restedFrom = false, 0
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
