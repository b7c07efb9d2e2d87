package hazard

import (
	"fmt"
	"math"

	"downhaul/rules"
	"downhaul/rules/card"
)

// oneSided is how far the middle may stand outside the motors, as a share of the
// longest arm: ours, a tape measure's care, and a frame of two motors has it on their
// line.
const oneSided = 0.1

// layout refuses places that no craft can have.
func (l *looker) layout() {
	c := l.Card
	if c == nil {
		return
	}
	m := &c.Motors
	var out card.Place // the one that is farthest outside
	outside := 0
	for i, p := range m.Places {
		if c.Craft.Radius > 0 && p.Arm() > c.Craft.Radius {
			if outside++; p.Arm() > out.Arm() {
				out = p
			}
		}
		for _, q := range m.Places[:i] {
			if Together(m, p, q) && p.Spin == q.Spin {
				l.card(p.Line, fmt.Sprintf("stands where motor %d stands and turns the same way", q.Number), "mend the place, or the spin if one hangs below the other", "motor[].number")
				break
			}
		}
	}
	if outside > 0 {
		with := ""
		if outside > 1 {
			with = fmt.Sprintf(", and %d others with it", outside-1)
		}
		l.card(out.Line, "the motor stands "+c.Show(out.Arm(), rules.Length)+" from the middle, outside the craft's radius of "+c.Show(c.Craft.Radius, rules.Length)+with,
			"measure from the middle of the craft, or mend radius or width under [craft]", "motor[]."+farther(out))
	}
	if len(m.Places) < 2 {
		return
	}
	if most := LongestArm(m); most > 0 {
		if by, ahead, right := beside(m); by > oneSided*most {
			l.card(m.Places[0].Line, "every motor stands "+toward(ahead, right)+" the middle, by "+c.Show(by, rules.Length)+" or more: such a craft cannot be level",
				"measure from the middle of the craft; behind it and to its left are negative", "motor[]."+farther(card.Place{Ahead: ahead, Right: right}))
		}
	}
}

// farther is the key of the larger of the place's two lengths.
func farther(p card.Place) string {
	if math.Abs(p.Ahead) >= math.Abs(p.Right) {
		return "ahead"
	}
	return "right"
}

// nearMiddle is the share of the craft's radius within which no frame has all motors: the
// rotors would reach past the middle; ours.
const nearMiddle = 0.3

// tight looks at motors that all stand near the middle.
func (l *looker) tight() {
	if l.Card == nil || len(l.Card.Motors.Places) < 3 {
		return
	}
	c, most := l.Card, LongestArm(&l.Card.Motors)
	if p := c.Motors.Places[0]; most > 0 && most < nearMiddle*c.Craft.Radius {
		l.card(p.Line, "every motor stands within "+c.Show(most, rules.Length)+" of the middle, and with a radius of "+c.Show(c.Craft.Radius, rules.Length)+" rotors would turn in each other",
			"look at the unit, or mend radius or width under [craft]", "motor[]."+farther(p))
	}
}

// beside is by how much at least every motor stands to one side of the middle,
// m, and which side that is, as a unit vector; negative when the middle is
// among them. Of all sides the one that parts them farthest is either toward a
// motor or square to the line between two.
func beside(m *card.Motors) (by, ahead, right float64) {
	by = math.Inf(-1)
	try := func(a, r float64) {
		long := math.Sqrt(a*a + r*r)
		if long == 0 {
			return
		}
		a, r = a/long, r/long
		least := math.Inf(1)
		for _, p := range m.Places {
			least = min(least, a*p.Ahead+r*p.Right)
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
	case r <= eighth*a:
		return end
	case a <= eighth*r:
		return side
	}
	return end + " and " + side
}

// samePlace is how near two motors stand at one place, as a share of the longest arm;
// ours.
const samePlace = 0.02

// LongestArm is the arm of the motor that stands farthest out, m; 0 without places.
func LongestArm(m *card.Motors) float64 {
	most := 0.0
	for _, p := range m.Places {
		most = max(most, p.Arm())
	}
	return most
}

// Together reports whether two motors stand at one place, one above the other.
func Together(m *card.Motors, a, b card.Place) bool {
	gap := card.Place{Ahead: a.Ahead - b.Ahead, Right: a.Right - b.Right}
	return gap.Arm() <= float64(samePlace*LongestArm(m))
}
