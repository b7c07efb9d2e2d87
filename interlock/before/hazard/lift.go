package hazard

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"downhaul/interlock/model/air"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// Range is from the worse to the better case.
type Range struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// LiftStep is what one flight step leaves of the lift.
type LiftStep struct {
	Step    string  `json:"step"`
	Line    int     `json:"line"`
	Ballast float64 `json:"ballast_kg"`
	// Left is the static lift beyond all weight, kg; Ratio thrust over weight.
	Left  Range `json:"left_kg"`
	Ratio Range `json:"thrust_to_weight"`
}

// Lift is the lift budget of a card, standing still at the ground.
type Lift struct {
	Motors int     `json:"motors"`
	Each   float64 `json:"thrust_each_n"` // what may be counted on
	Losses Range   `json:"losses"`        // shares, the greater first
	Thrust Range   `json:"thrust_n"`      // after losses
	Mass   float64 `json:"mass_kg"`       // without ballast
	// Air is the density at the pad over that at the rig, at most 1; 0 where one of the
	// two is not known and thrust counts as stated.
	Air float64 `json:"air_share"`
	// Left is what may be lifted beside the craft, kg.
	Left  Range      `json:"left_kg"`
	Steps []LiftStep `json:"steps"`
}

// leastRatio is the thrust over weight below which little is left to steer
// with; common practice, no source.
const leastRatio = 1.2

// liftOf works out a card's lift budget: motors · static thrust, less losses as
// a range, less the craft, less each step's ballast. ok is false where the card
// does not state thrust and losses.
func liftOf(c *card.Card) (l Lift, ok bool) {
	m := &c.Motors
	if m.Count == 0 || m.Thrust == 0 || !m.HasLosses {
		return l, false
	}
	l = Lift{Motors: m.Count, Each: usable(m), Losses: Range{m.LossHigh, m.LossLow}, Mass: c.Craft.Mass, Steps: []LiftStep{}}
	all := float64(m.Count) * l.Each
	if l.Air = airShare(c); l.Air > 0 {
		all *= l.Air
	}
	l.Thrust = Range{all * (1 - m.LossHigh), all * (1 - m.LossLow)}
	l.Left = l.leaves(l.Mass)
	for i := range c.Steps {
		s := &c.Steps[i]
		if s.Kind != card.Flight {
			continue
		}
		mass := l.Mass + s.Ballast
		weight := mass * Gravity
		l.Steps = append(l.Steps, LiftStep{Step: s.Name, Line: s.Line, Ballast: s.Ballast,
			Left: l.leaves(mass), Ratio: Range{l.Thrust.Low / weight, l.Thrust.High / weight}})
	}
	return l, true
}

// airShare returns by how much the pad's air lessens a thrust that the rig measured in
// its own: thrust at one output goes with density (T = C·ρ·n²). In thinner air that errs
// low, for a motor turns a little faster under the lesser load. In denser air it turns
// slower, so that more than was measured is not counted. 0 is not known.
func airShare(c *card.Card) float64 {
	if !c.Air.Told || !c.Motors.Rig.Measured || !c.Motors.Rig.Air.Told {
		return 0
	}
	return min(1, air.Density(c.Air)/air.Density(c.Motors.Rig.Air))
}

// airSays returns what the air does to the thrust, and to which side that errs.
func (l *Lift) airSays(c *card.Card) string {
	switch {
	case l.Air == 0:
		return "Thrust counts as stated: the air in which it was measured (air under [motors.rig]) or that at the pad (air) is not on the card. That errs high where the pad's air is warmer or higher up: by 3.5 % for 10 °C (18 °F) or 300 m (1000 ft) more."
	case l.Air < 1:
		return fmt.Sprintf("Thrust counts for the pad's air, %s, as %s of what the rig measured in %s: that errs low, for a motor turns a little faster in thinner air. Humidity is left out, which errs high by up to 1.6 %% at 30 °C (86 °F).",
			air.Says(c.Air, c.Units), rounding.Show(l.Air, "%", 3, rounding.Down), air.Says(c.Motors.Rig.Air, c.Units))
	}
	return fmt.Sprintf("The pad's air, %s, is no thinner than the rig's; what it lifts more is not counted, which errs low. Humidity is left out, which errs high by up to 1.6 %% at 30 °C (86 °F).", air.Says(c.Air, c.Units))
}

func (l *Lift) leaves(mass float64) Range {
	return Range{l.Thrust.Low/Gravity - mass, l.Thrust.High/Gravity - mass}
}

// Card returns what a test card's lift budget comes to. lift is nil where the card does
// not state enough.
func Card(c *card.Card) (says []string, lift *Lift) {
	l, ok := liftOf(c)
	if !ok {
		if !slices.ContainsFunc(c.Steps, func(s card.Step) bool { return s.Kind == card.Flight }) {
			return nil, nil // nothing is to be lifted
		}
		return append([]string{"Whether it lifts its ballast is not known: the card does not state count, thrust and losses under [motors]."}, wantsOf(c)...), nil
	}
	mass := func(v float64) string {
		return rounding.Show(v, rules.DefaultUnit(rules.Mass, c.Units), 3, rounding.Down)
	}
	says = append(says, fmt.Sprintf("Lift, standing still: %d motors of %s less %s to %s carry %s to %s; less the craft's %s, %s are left for ballast.",
		l.Motors, c.Show(l.Each, rules.Force), rules.Format(l.Losses.High, "%"), rules.Format(l.Losses.Low, "%"),
		mass(l.Thrust.Low/Gravity), mass(l.Thrust.High/Gravity), c.Show(l.Mass, rules.Mass), l.Left.says(mass)))
	says = append(says, "A static budget promises more than the craft lifts: packs sag, rotors stand in each other's wake, and steering needs thrust in hand. Fly the steps; the report reckons with what was flown.")
	says = append(says, l.airSays(c))
	if m := &c.Motors; usable(m) < m.Thrust {
		says = append(says, fmt.Sprintf("Of %s a motor only %s is counted: above that it did not run clean.", c.Show(m.Thrust, rules.Force), c.Show(usable(m), rules.Force)))
	}
	for i := range l.Steps {
		s := &l.Steps[i]
		says = append(says, fmt.Sprintf("Step %q: %s left, thrust %.2f to %.2f times the weight.", s.Step, s.Left.says(mass), down2(s.Ratio.Low), down2(s.Ratio.High)))
	}
	says = append(says, wantsOf(c)...)
	return says, &l
}

// says is the range for people; a loss is told as missing.
func (r Range) says(show func(float64) string) string {
	if r.Low == r.High && r.Low >= 0 {
		return show(r.Low)
	}
	if r.High < 0 {
		return fmt.Sprintf("%s to %s too little", strings.TrimPrefix(show(r.High), "-"), strings.TrimPrefix(show(r.Low), "-"))
	}
	return fmt.Sprintf("%s to %s", show(r.Low), show(r.High))
}

// down2 is a ratio with two places that never shows more than it is.
func down2(v float64) float64 { return math.Floor(v*100+1e-9) / 100 }

// centred is how far the motors' middle may stand off the craft's, m: ours, a
// tape measure's care.
const centred = 0.02

// geometry looks at the declared places of the motors: how they turn, and where their
// middle is.
func geometry(c *card.Card) (spin, middle string) {
	places := c.Motors.Places
	if len(places) == 0 {
		return "", ""
	}
	turns, ahead, right := 0, 0.0, 0.0
	for _, p := range places {
		ahead += p.Ahead
		right += p.Right
		turns++
		if p.Spin == card.CounterClockwise {
			turns -= 2
		}
	}
	n := float64(len(places))
	if turns > len(places)%2 || -turns > len(places)%2 { // an odd number cannot be even; a rudder or a servo holds it
		spin = "not as many motors turn clockwise as counter-clockwise: the craft would turn by itself; look at spin under [[motor]]"
	}
	if a, r := ahead/n, right/n; a > centred || a < -centred || r > centred || r < -centred {
		middle = fmt.Sprintf("the middle of the motors is %s ahead and %s to the right of the craft's: look at the places under [[motor]], or hang the load there",
			c.Show(a, rules.Length), c.Show(r, rules.Length))
	}
	return spin, middle
}

// usable is the static thrust of one motor that may be counted on, N: no more
// than it was seen to run clean.
func usable(m *card.Motors) float64 {
	if m.Rig.CleanTo > 0 && m.Rig.CleanTo < m.Thrust {
		return m.Rig.CleanTo
	}
	return m.Thrust
}

// Heaviest is the mass of the heaviest step that flies, kg.
func Heaviest(c *card.Card) float64 {
	most := c.Craft.Mass
	for i := range c.Steps {
		most = max(most, c.Craft.Mass+c.Steps[i].Ballast)
	}
	return most
}
