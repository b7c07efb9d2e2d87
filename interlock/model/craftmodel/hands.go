package craftmodel

import "math"

// handSpeed is how fast two people turn a big craft, rad/s (about 40 deg/s;
// common practice, no source).
const handSpeed = 0.7

// hands is people who hold the craft, its propellers off.
type hands struct {
	roll, pitch     float64 // as it is
	toRoll, toPitch float64
}

// TakeInHands has people hold the craft off the ground, propellers off, and turn it to
// that roll and pitch, rad, about the heading that it had. Armed, its autopilot
// steadies it as in flight: that shows in the outputs and moves nothing.
func (c *Craft) TakeInHands(roll, pitch float64) {
	if c.hands == nil {
		r, p, _ := c.body.att.angles()
		c.hands = &hands{roll: r, pitch: p}
		c.body.vel, c.body.acc = vec{}, vec{}
		c.body.pos.z -= 1 // at the height of their hands
	}
	c.hands.toRoll, c.hands.toPitch = roll, pitch
}

// inHands turns the craft as the hands do.
func (c *Craft) inHands(dt float64) {
	h := c.hands
	if h == nil {
		return
	}
	turn := func(from, to float64) float64 { return from + clamp(to-from, -handSpeed*dt, handSpeed*dt) }
	roll, pitch := turn(h.roll, h.toRoll), turn(h.pitch, h.toPitch)
	c.body.rate = vec{(roll - h.roll) / dt, (pitch - h.pitch) / dt, 0}
	h.roll, h.pitch = roll, pitch
	c.body.att = fromAngles(roll, pitch, c.body.yawHome)
	c.body.touching = false
	if c.pilot.mode == Idle {
		// A controller that is armed in a mode that steadies: the sticks at the
		// middle, nothing asked but to be level.
		c.pilot.mode, c.pilot.target = Hover, math.Max(c.believed().height, 0)
	}
}
