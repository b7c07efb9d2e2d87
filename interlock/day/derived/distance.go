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
type distance struct {
	untimed
	slow
	slant               bool
	north, east, height float64 // of the anchor
}

func newDistance(c Config, slant bool) *distance {
	return &distance{slow: c.Slow, slant: slant, north: c.AnchorNorth, east: c.AnchorEast, height: c.AnchorHeight}
}

func (d *distance) Trigger() rules.ChannelID { return rules.East }

func (d *distance) Output() rules.ChannelID {
	if d.slant {
		return rules.SlantRange
	}
	return rules.Distance
}

func (d *distance) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	east, north := t[rules.East], fresh(t, rules.North, at)
	x, y := north.Value-d.north, east.Value-d.east
	sum := float64(x*x) + float64(y*y)
	if !d.slant {
		return publish(math.Sqrt(sum), east, north), true
	}
	height := d.fresh(t, rules.Height, at)
	z := height.Value - d.height
	return publish(math.Sqrt(sum+float64(z*z)), east, north, height), true
}

func (d *distance) Clone() limits.Calculator { c := *d; return &c }
