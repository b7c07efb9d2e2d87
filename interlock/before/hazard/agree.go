package hazard

import (
	"fmt"
	"math"

	"downhaul/interlock/model/air"
	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
)

// apart is how far two figures of one thing may be apart before it is said;
// ours: what a scale and a tape measure leave open.
const apart = 0.02

// agree warns where pad file and test card state figures of the one craft that
// do not go together: its radius, and its full thrust. Both are empty where they do.
func agree(p *pad.Pad, c *card.Card) (radius, thrust string) {
	if a, b := p.Craft.Radius, c.Craft.Radius; a > 0 && b > 0 && math.Abs(a-b) > apart*max(a, b) {
		radius = fmt.Sprintf("the craft's radius is %s in the pad file and %s on the test card", c.Show(a, rules.Length), c.Show(b, rules.Length))
	}
	m := &c.Motors
	if m.Count == 0 || m.Thrust == 0 || p.Height.MaxAcceleration <= 0 {
		return radius, ""
	}
	// The strongest that the craft can be is what it coasts highest with: all
	// of the static thrust, and no ballast.
	most, wrong, in := float64(m.Count)*m.Thrust/c.Craft.Mass, "", ""
	if c.Air.Told && m.Rig.Measured && m.Rig.Air.Told {
		if by := air.Density(c.Air) / air.Density(m.Rig.Air); by > 1 {
			most, in = by*most, fmt.Sprintf(" in the pad's air, which is %.0f %% as dense as the rig's", 100*by)
		}
	}
	switch a := p.Height.MaxAcceleration; {
	case most > a*(1+apart):
		wrong = "may read too low"
	case a > mostOver*most:
		wrong = "reads too high, so that it trips early"
	default:
		return radius, ""
	}
	return radius, fmt.Sprintf("the pad file reckons with full thrust of %.2f times the weight, and by the test card it may be %.2f times without ballast%s: the predicted apex %s. Mend max_thrust and mass under [height] of the pad file, or thrust and mass of the card",
		p.Height.MaxAcceleration/Gravity, most/Gravity, in, wrong)
}
