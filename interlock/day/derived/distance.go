package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// distance is how far the craft is from the anchor, level (craft.distance) or
// straight (craft.slant_range): √(Δnorth² + Δeast² [+ Δheight²]).
// Assumption: the craft's local origin stays where it was when the anchor's
// place in it was written down.
//
// The trigger is east, the later of the two in LOCAL_POSITION_NED.
func (c Config) distance(at time.Duration, t *limits.Table) (square float64, east, north limits.Reading) {
	east, north = t[rules.East], fresh(t, rules.North, at)
	x, y := north.Value-c.AnchorNorth, east.Value-c.AnchorEast
	return float64(x*x) + float64(y*y), east, north
}

func (c Config) level(at time.Duration, t *limits.Table) limits.Result {
	square, east, north := c.distance(at, t)
	return publish(math.Sqrt(square), east, north)
}

func (c Config) slant(at time.Duration, t *limits.Table) limits.Result {
	square, east, north := c.distance(at, t)
	height := slow(c.Slow).fresh(t, rules.Height, at)
	z := height.Value - c.AnchorHeight
	return publish(math.Sqrt(square+float64(z*z)), east, north, height)
}
