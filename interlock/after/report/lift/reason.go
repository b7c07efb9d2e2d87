package lift

import (
	"fmt"
	"math"
	"strings"

	"downhaul/interlock/model/recipe"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// code states which reason it is.
type code int

const (
	nothing code = iota + 1
	onlyAttempts
	oneStep
	fewHovers
	tooLight
	otherMotors
	noSag
	noLaw
	contradiction
	noMass
	stayedDown
	tooFar
	noHover
	tooLittle
	underFloor
	collapses
	likelyTooLittle
	tooUnsure
	notShown
	motorFull
	nearFloor
	tooLong
	noFall
	absurd
	fine
	withheld
)

// reason is a reason with its figures, to be said in the user's units.
type reason struct {
	code                   code
	mass, volts, amps      float64
	share, mid, high, need float64
	limit, seconds         float64
	hover                  float64 // s that are asked of a hover; 0 is the recipe's
	n                      int
	text                   string
	take                   *Take
	settle                 string
}

// Sentence is the reason, and the flight that would settle it, in the units of
// the system, "metric" or "imperial".
func (f StepForecast) Sentence(system string) (why, settle string) { return f.why.sentence(system) }

// sentence is one sentence why, and what would settle it.
func (r reason) sentence(system string) (why, settle string) {
	say := func(v float64, k rules.Kind) string { return said(v, k, system, 3, rounding.Near) }
	mass, volts, amps := say(r.mass, rules.Mass), say(r.volts, rules.Voltage), say(r.amps, rules.Current)
	pct := func(v float64) string {
		// A share that would be rounded to the requirement is told more closely.
		if v != r.need && math.Round(100*v) == math.Round(100*r.need) {
			return fmt.Sprintf("%.1f %%", 100*v)
		}
		return fmt.Sprintf("%.0f %%", 100*v)
	}
	if !(r.hover > 0) {
		r.hover = recipe.HoverTime
	}
	long := rules.Format(r.hover, "s")
	hoverMore := "hover again at two of the loads, " + long + " or more each, in calm air"
	const fullPull = "first a full-output pull of 2 s at a light step, the craft tied down or the tether taut and inside its working load"
	switch r.code {
	case nothing:
		return "there is no steady hover to learn from",
			fmt.Sprintf("hover for %s, above one craft width, tether slack, at two ballast steps, and one of them twice (a hover counts from %g s)", long, shortestHover)
	case onlyAttempts:
		return "there are only full-output attempts that stayed on the ground", "take ballast off until it hovers, and hover at two lighter steps"
	case oneStep:
		return fmt.Sprintf("every hover was at about one load (%s): how lift grows with output is not known", mass),
			fmt.Sprintf("hover at a load at least %.0f %% away from %s, upward only in small steps", 100*(recipe.WiderBy-1), mass)
	case fewHovers:
		return fmt.Sprintf("%d hovers leave no degree of freedom: their scatter is not known", r.n), hoverMore
	case tooLight:
		return fmt.Sprintf("the heaviest hover took only %s output, and full output is too far from it", pct(r.share)), "fly steps in between, up to half output"
	case otherMotors:
		return fmt.Sprintf("the runs are of crafts with different numbers of motors (one has %d)", r.n), "give only runs of the craft as it is"
	case noSag:
		return r.text, "record the pack's voltage and current together, from before the start until after the landing"
	case withheld:
		return r.text, r.settle
	case noLaw:
		return r.text, hoverMore
	case contradiction:
		return "by its hovers the craft should have lifted what stayed on the ground at full output", "find out why: a weak motor or cell, a wrong mass, or a supply that gives way"
	case noMass:
		return "the step's mass is not known", "write the craft's mass and the step's ballast on the card"
	case stayedDown:
		return fmt.Sprintf("full output did not lift %s at %s", mass, volts), "take ballast off"
	case tooFar:
		return fmt.Sprintf("it is more than %s heavier than anything that was held in a hover", pct(recipe.Furthest-1)), fmt.Sprintf("fly a step of at most %s first", mass)
	case noHover:
		return "by the fit it would not leave the ground, or its hardest working motor would be at full output", r.takes(system)
	case tooLittle:
		return fmt.Sprintf("at best %s of reserve where %s is required", pct(r.high), pct(r.need)), r.takes(system)
	case underFloor:
		return fmt.Sprintf("the pack would be at %s under load when the hover ends, and the floor is %s", volts, say(r.limit, rules.Voltage)),
			fmt.Sprintf("a fuller pack, or hover no longer than %s", say(r.seconds, rules.Duration))
	case collapses:
		return fmt.Sprintf("the supply gave way at %s, and full output asks for %s: thrust falls where it is needed most", amps, say(r.limit, rules.Current)),
			"find the weak cell or the current limit, then " + fullPull
	case likelyTooLittle:
		return fmt.Sprintf("about %s of reserve is likely (%s to %s) where %s is required", pct(r.mid), pct(r.share), pct(r.high), pct(r.need)), r.takes(system)
	case tooUnsure:
		return fmt.Sprintf("the reserve is likely %s, but may be as little as %s where %s is required", pct(r.mid), pct(r.share), pct(r.need)),
			fmt.Sprintf("%s (%d hovers and pulls so far); or %s", hoverMore, r.n, r.takes(system))
	case notShown:
		return fmt.Sprintf("the supply was seen to carry %s, and full output asks for %s", amps, say(r.limit, rules.Current)), fullPull
	case motorFull:
		return fmt.Sprintf("the hardest working motor may have only %s left in the hover", pct(r.share)), "trim the balance, or " + r.takes(system)
	case nearFloor:
		return fmt.Sprintf("the pack may be down to %s when the hover ends, and the floor is %s", volts, say(r.limit, rules.Voltage)), "plan a shorter hover, or start with a fuller pack"
	case tooLong:
		return fmt.Sprintf("so much charge as a hover of %s takes was never drawn: how the pack falls from there on is not known", long),
			fmt.Sprintf("plan at most %s (hover on the card), or hover longer at a lighter step first", say(r.seconds, rules.Duration))
	case noFall:
		return "the flights were too short to show how the pack falls as it drains", "hover for a minute or more at one of the loads, packs full, and record the pack until after the landing"
	case absurd:
		return "with these masses, voltages and temperatures there is no state in which it flies", "check the card, the resting voltage and the what-if"
	case fine:
		return fmt.Sprintf("reserve %s at the least (required %s) at the end of a hover of %s, with the supply seen to carry it", pct(r.share), pct(r.need), long), ""
	}
	return r.text, ""
}

// takes returns what would bring the required reserve.
func (r reason) takes(system string) string {
	if r.take == nil {
		return "take ballast off"
	}
	say := func(v float64, k rules.Kind) string { return said(v, k, system, 2, rounding.Up) }
	var ways []string
	if r.take.MassOff > 0 && r.take.LargestMass > 0 {
		ways = append(ways, say(r.take.MassOff, rules.Mass)+" off")
	}
	if r.take.MorePerMotor > 0 {
		ways = append(ways, say(r.take.MorePerMotor, rules.Force)+" more per motor")
	}
	if r.take.LessSag > 0 {
		ways = append(ways, say(r.take.LessSag, rules.Voltage)+" less sag")
	}
	if len(ways) == 0 {
		return "take ballast off"
	}
	return strings.Join(ways, ", or ")
}
