package hazard

import (
	"slices"
	"strings"

	"downhaul/interlock/sense"
	"downhaul/rules/document"
)

// Place is a line of a file, from 1.
type Place = sense.Place

// Finding is a fault with the places of the numbers that it rests on.
type Finding struct {
	document.Fault
	Rests []Place
}

// Findings stand in an order in which causes come before their consequences.
type Findings []Finding

// Cause is a fault with those that would go with it.
type Cause struct {
	document.Fault
	After document.Faults
}

// Split parts causes from consequences, so that one number that is wrong is told once,
// where it stands, and not as five things to mend. What stands in the line of a finding
// before it goes into its text; a consequence rests on a number in such a line, or on
// another consequence. What follows from the lines that are known is left out.
func (fs Findings) Split(known ...Place) (causes []Cause) {
	of := map[Place]int{} // the cause of what stands there; -1 is known
	for _, p := range known {
		of[p] = -1
	}
	for _, x := range fs {
		at := Place{File: x.File, Line: x.Line}
		cause, found := of[at]
		found = found && x.Line > 0
		for i := 0; !found && i < len(x.Rests); i++ {
			cause, found = of[x.Rests[i]]
		}
		switch {
		case !found:
			of[at] = len(causes)
			causes = append(causes, Cause{Fault: x.Fault})
		case cause >= 0:
			if c := &causes[cause]; (Place{File: c.File, Line: c.Line}) == at {
				if !strings.Contains(c.Wrong, x.Wrong) {
					c.Wrong += "; " + x.Wrong
				}
			} else if _, told := of[at]; !told {
				causes[cause].After = append(causes[cause].After, x.Fault)
				of[at] = cause
			}
		default:
			of[at] = cause
		}
	}
	return causes
}

// Promote moves a doubt that a refusal rests on to the front of what is refused: the
// number is wrong there, and what it leads to stands in its text. A file is refused
// either way.
func Promote(refused, doubts Findings) (Findings, Findings) {
	var front, left Findings
	for _, d := range doubts {
		at, lead := Place{File: d.File, Line: d.Line}, ""
		for _, r := range refused {
			if (Place{File: r.File, Line: r.Line}) != at && slices.Contains(r.Rests, at) && d.Line > 0 && lead == "" {
				lead = r.Key + ": " + r.Wrong
			}
		}
		if lead == "" || slices.ContainsFunc(refused, func(r Finding) bool {
			return slices.Contains(d.Rests, Place{File: r.File, Line: r.Line}) || (Place{File: r.File, Line: r.Line}) == at
		}) {
			left = append(left, d)
			continue
		}
		d.Wrong += ", and with it " + lead
		front = append(front, d)
	}
	return append(front, refused...), left
}

// Causes are the faults of Split.
func (fs Findings) Causes(known ...Place) (out document.Faults) {
	for _, c := range fs.Split(known...) {
		out = append(out, c.Fault)
	}
	return out
}

// Places are the lines of the findings.
func (fs Findings) Places() (out []Place) {
	for _, x := range fs {
		out = append(out, Place{File: x.File, Line: x.Line})
	}
	return out
}

// limitKeys hold the limit of a rule.
var limitKeys = strings.Fields("rule[].above rule[].below rule[].outside rule[].is rule[].is_not rule[].rising_faster rule[].falling_faster")

// Numbers on which others rest.
var (
	onWeight  = sense.OnWeight
	onMotors  = []string{"card motors.count", "pad craft.motors", "card motors.thrust", "card motors.rig.reading", "card motors.rig.lever"}
	onPad     = []string{"pad height.max_thrust", "pad height.thrust_to_weight", "pad height.mass"}
	onThrust  = append(onMotors, append(onWeight, onPad...)...)
	onCeiling = sense.OnCeiling
	onCells   = []string{"pad packs.cells", "card pack[].cells"}
	onBallast = []string{"card step[].ballast"}
	onRope    = []string{"envelope tether.breaking_strength", "envelope tether.design_factor", "envelope tether.knot", "envelope tether.age", "envelope tether.shackle", "envelope tether.anchor", "envelope tether.attachment", "envelope tether.load_cell"}
)
