package card

import (
	"math"

	"downhaul/rules"
	"downhaul/rules/document"
)

// The bounds of a layout, as shares of the longest arm; ours.
const (
	// oneSided is how far the middle may stand outside the motors: a tape
	// measure's care, and a frame of two motors has it on their line.
	oneSided = 0.1
	// samePlace is how near two motors stand at one place.
	samePlace = 0.02
)

// Arm is how far the place is from the middle, m.
func (p Place) Arm() float64 {
	return math.Sqrt(float64(p.Ahead*p.Ahead) + float64(p.Right*p.Right))
}

// LongestArm is the arm of the motor that stands farthest out, m; 0 without
// places.
func (m *Motors) LongestArm() float64 {
	most := 0.0
	for _, p := range m.Places {
		most = max(most, p.Arm())
	}
	return most
}

// Together reports whether two motors stand at one place, one above the other.
func (m *Motors) Together(a, b Place) bool {
	gap := Place{Ahead: a.Ahead - b.Ahead, Right: a.Right - b.Right}
	return gap.Arm() <= float64(samePlace*m.LongestArm())
}

// checkLayout refuses places that no craft can have. rows are those of the
// places.
func (c *Card) checkLayout(rows []*document.Table) {
	m := &c.Motors
	for i, p := range m.Places {
		if r := c.Craft.Radius; r > 0 && p.Arm() > r {
			rows[i].Fault(farther(p), "the motor stands "+c.Show(p.Arm(), rules.Length)+" from the middle, outside the craft's radius of "+c.Show(r, rules.Length),
				rows[i].Got(farther(p)), "measure from the middle of the craft, or mend radius or width under [craft]")
		}
		for _, q := range m.Places[:i] {
			if m.Together(p, q) && p.Spin == q.Spin {
				rows[i].Fault("number", "stands where motor "+lineText(q.Number)+" stands and turns the same way", rows[i].Got("number"),
					"mend the place, or the spin if one hangs below the other")
				break
			}
		}
	}
	if len(m.Places) < 2 {
		return
	}
	if most := m.LongestArm(); most > 0 {
		if by, ahead, right := m.outside(); by > float64(oneSided*most) {
			key := farther(Place{Ahead: ahead, Right: right})
			rows[0].Fault(key, "every motor stands "+toward(ahead, right)+" the middle, by "+c.Show(by, rules.Length)+" or more: such a craft cannot be level",
				rows[0].Got(key), "measure from the middle of the craft; behind it and to its left are negative")
		}
	}
}

// HeardOutputs is how many outputs telemetry tells of: 16 of SERVO_OUTPUT_RAW
// (the open standard's common messages).
const HeardOutputs = 16

// unmeasurable says why no tilt response could be measured with these places,
// and the mend; empty when one can.
func (m *Motors) unmeasurable() (wrong, mend string) {
	if len(m.Places) < 3 {
		return "the card does not say where the motors stand", "write one [[motor]] with number, ahead, right and spin for each motor, three at the least"
	}
	for _, p := range m.Places {
		if p.Number > HeardOutputs {
			return "motor " + lineText(p.Number) + " is past output " + lineText(HeardOutputs) + ", the last that telemetry tells of",
				"mend number under [[motor]], or put the motor on a lower output"
		}
	}
	if m.inLine() {
		return "the motors stand in one line, and a lean along it cannot be told from none", "mend ahead and right under [[motor]]"
	}
	return "", ""
}

// inLine reports whether every motor stands on one line.
func (m *Motors) inLine() bool {
	if len(m.Places) == 0 {
		return true
	}
	// The longest way from the first motor to another, and how far the others
	// stand beside it.
	first := m.Places[0]
	var way Place
	for _, p := range m.Places {
		if w := (Place{Ahead: p.Ahead - first.Ahead, Right: p.Right - first.Right}); w.Arm() > way.Arm() {
			way = w
		}
	}
	beside := 0.0
	for _, p := range m.Places {
		beside = max(beside, math.Abs(float64(way.Ahead*(p.Right-first.Right))-float64(way.Right*(p.Ahead-first.Ahead))))
	}
	return beside <= float64(float64(samePlace*way.Arm())*way.Arm())
}

// farther is the key of the larger of the place's two lengths.
func farther(p Place) string {
	if math.Abs(p.Ahead) >= math.Abs(p.Right) {
		return "ahead"
	}
	return "right"
}

// outside is by how much at least every motor stands to one side of the middle,
// m, and which side that is, as a unit vector; negative when the middle is
// among them. Of all sides the one that parts them farthest is either toward a
// motor or square to the line between two.
func (m *Motors) outside() (by, ahead, right float64) {
	by = math.Inf(-1)
	try := func(a, r float64) {
		long := math.Sqrt(float64(a*a) + float64(r*r))
		if long == 0 {
			return
		}
		a, r = a/long, r/long
		least := math.Inf(1)
		for _, p := range m.Places {
			least = min(least, float64(a*p.Ahead)+float64(r*p.Right))
		}
		if least > by {
			by, ahead, right = least, a, r
		}
	}
	for i, p := range m.Places {
		try(p.Ahead, p.Right)
		for _, q := range m.Places[:i] {
			try(p.Right-q.Right, q.Ahead-p.Ahead)
			try(q.Right-p.Right, p.Ahead-q.Ahead)
		}
	}
	return by, ahead, right
}

// toward is a side in plain words; a quarter between two sides names both.
func toward(ahead, right float64) string {
	// tan 22.5°: half of an eighth of a turn.
	const eighth = 0.41421356237309503
	end, side := "ahead of", "to the right of"
	if ahead < 0 {
		end = "behind"
	}
	if right < 0 {
		side = "to the left of"
	}
	switch a, r := math.Abs(ahead), math.Abs(right); {
	case r <= float64(eighth*a):
		return end
	case a <= float64(eighth*r):
		return side
	}
	return end + " and " + side
}
