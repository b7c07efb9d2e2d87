package hazard

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"downhaul/interlock/model/air"
	"downhaul/interlock/model/recipe"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

// highCell is the resting voltage of a full high-voltage cell, V (from memory).
const highCell = 4.35

func (l *looker) floor() {
	if n := float64(l.cells()); n > 0 && l.Pad != nil && l.Pad.Packs.Floor >= fullCell*n*(1-1e-9) {
		l.pad(fmt.Sprintf("is %.3g V a cell, and a full one rests at %g V", l.Pad.Packs.Floor/n, fullCell), "write the whole pack's floor under load", "packs.floor")
	}
}

// mass is the lightest mass that a file tells, kg, 0 where none does.
func (l *looker) mass() float64 {
	if l.Card != nil {
		return l.Card.Craft.Mass
	}
	if l.Pad == nil {
		return 0
	}
	m, _, kind, ok := sense.Number(document.Parse("", l.PadFile.Text).Root().Table("height").Value("mass"))
	if !ok || kind != rules.Mass {
		return 0
	}
	return m
}

// Shares of the thrust that all motors give, by files and by the pull at full output;
// ours: a rig without losses, a tie-down that leans and a pack half empty lie between.
const (
	leastPull, mostPull     = 0.6, 1.1
	leastCalled, mostCalled = 1.0 / 3, 1.5
)

func (l *looker) fullOutput(refused bool) {
	if l.Pad == nil || l.Pad.Full.Pull == 0 {
		return
	}
	f, unit := &l.Pad.Full, rules.DefaultUnit(rules.Force, l.Pad.Units)
	show := func(v float64) string { return rounding.Show(v, unit, 3, rounding.Near) }
	weight, thrust := l.mass()*Gravity, l.pull()
	low, high := leastPull, mostPull
	if refused {
		low, high = leastCalled, mostCalled
	}
	of := func(wrong string) {
		l.pad(wrong, "write what all motors pulled together at full output, with the weight that the craft carried itself", "full_output.pull")
	}
	switch {
	case refused && weight > 0 && f.Pull <= weight:
		of("does not lift the craft, which weighs " + show(weight))
	case thrust > 0 && (f.Pull < low*thrust || f.Pull > high*thrust):
		of("is " + rounding.Show(f.Pull/thrust, "%", 2, rounding.Near) + " of what all motors give by these files, " + show(thrust))
	}
	for _, v := range []struct {
		key       string
		is        float64
		low, high float64
	}{{"resting", f.Resting, 3.6, 4.25}, {"volts", f.Volts, emptyCell, fullCell}} {
		if refused {
			v.low, v.high = deadCell, 4.4
		}
		if n := float64(l.cells()); n > 0 && (v.is < v.low*n || v.is > v.high*n) {
			l.pad(fmt.Sprintf("is %.3g V a cell, and here cells have %.3g to %.3g V", v.is/n, v.low, v.high), "write the whole pack's voltage, as its monitor told it", "full_output."+v.key)
		}
	}
	if c := l.Card; !refused && c != nil && c.Motors.Current > 0 && (f.Amps < 0.5*c.Motors.Current || f.Amps > 1.5*c.Motors.Current) {
		l.pad("all motors together draw "+rules.Format(c.Motors.Current, "A")+" at full thrust by the test card", "write the current at full output, or mend the card", "full_output.current")
	}
	if c := l.Card; !refused && c != nil && len(c.Packs) > 0 && c.Packs[0].Resistance > 0 {
		has, by := (f.Resting-f.Volts)/f.Amps, c.Packs[0].Resistance/float64(len(c.Packs))
		if has < by/5 || has > 5*by {
			l.tell(l.PadFile.Fault(0, fmt.Sprintf("%s less than at rest at %s are %s, and by the test card the packs have some %s", rounding.Show(f.Resting-f.Volts, "V", 2, rounding.Near), rules.Format(f.Amps, "A"),
				rounding.Show(has, "mohm", 2, rounding.Near), rounding.Show(by, "mohm", 2, rounding.Near)), "write the voltage at full output and the one before, or mend the card", "full_output.volts"),
				l.On("pad full_output.resting", "pad full_output.current", "card pack[].resistance"))
		}
	}
}

// Cells under load while a motor ran for its thrust: a thrust at less is another one.
const deadCell, emptyCell = 2.0, 3.0

func (l *looker) rigVolts(refused bool) {
	if l.Card == nil || l.Card.Motors.Rig.Volts == 0 || l.cells() == 0 {
		return
	}
	v, low, high := l.Card.Motors.Rig.Volts, emptyCell, highCell
	if refused {
		low, high = deadCell, math.Inf(1)
	}
	switch n := float64(l.cells()); {
	case v < low*n:
		l.card(0, fmt.Sprintf("is %.2g V a cell: packs of %d cells give more, and with them this motor's thrust is another", v/n, l.cells()), "write the voltage at the motor while it ran, or measure with the craft's own packs", "motors.rig.volts")
	case v > high*n:
		l.card(0, fmt.Sprintf("is more than packs of %d cells give when they are full", l.cells()), "write the voltage at the motor while it ran", "motors.rig.volts")
	}
}

// Power that rotors need, by momentum theory: T = (2 ρ A)^⅓ P^⅔ for an open rotor that
// loses nothing, twice the area for one in a duct.
const (
	densest  = 1.45 // kg/m³: some -30 °C at sea level
	returned = 0.8  // the share of the pack's power that motors and rotors make of it at best; common practice, no source
)

// discs is the area of all rotors at most, m²: what lies inside the blade tips, or, with
// the motors' places, as many circles as reach from the outermost arm to there. 0 is not
// known.
func discs(c *card.Card) float64 {
	r := c.Craft.Radius
	area := math.Pi * r * r
	if tip := r - LongestArm(&c.Motors); len(c.Motors.Places) > 0 && tip > 0 {
		area = min(area, float64(len(c.Motors.Places))*math.Pi*tip*tip)
	}
	return area
}

func (l *looker) momentum(refused bool) {
	c := l.Card
	if c == nil || c.Motors.Current == 0 || c.Motors.Thrust == 0 || c.Craft.Radius == 0 || l.cells() == 0 {
		return
	}
	thrust, power := float64(c.Motors.Count)*c.Motors.Thrust, c.Motors.Current*fullCell*float64(l.cells())
	rho, share, how := air.Sea, returned, "with the best of motors"
	if c.Motors.Rig.Air.Told {
		rho = air.Density(c.Motors.Rig.Air)
	}
	if refused {
		rho, share, how = 2*densest, 1, "in ducts, in the densest air and without any loss" // twice: the ducts
	}
	if least := math.Pow(thrust, 1.5) / math.Sqrt(2*rho*discs(c)) / share; power < least {
		l.card(0, fmt.Sprintf("with full packs is %s, and rotors no larger than this craft need %s for its %s, %s (momentum theory)", watts(power), watts(least), c.Show(thrust, rules.Force), how),
			"write what all motors together draw at full thrust, or mend thrust, cells and radius", "motors.current")
	}
}

func watts(v float64) string { return fmt.Sprintf("%.2g kW", v/1000) }

// leastLoss is what wakes, mounting and heat take at least; ours.
const leastLoss = 0.02

// idleShare is the share of full current past which a rotor may still turn; ours.
const idleShare = 0.1

func (l *looker) motors() {
	if p := l.Pad; p != nil && p.Packs.Floor > 0 && l.cells() > 0 {
		if v := p.Packs.Floor / float64(l.cells()); v < 2.5 || v > 3.8 {
			l.pad(fmt.Sprintf("is %.3g V a cell: floors are from 2.5 V, where cells are harmed, to 3.8 V, where half is left at rest", v), "write the whole pack's floor under load", "packs.floor")
		}
	}
	c := l.Card
	if c == nil {
		return
	}
	spin, middle := geometry(c)
	if spin != "" {
		l.card(c.Motors.Places[0].Line, spin, "", "motor[].spin")
	}
	if middle != "" {
		l.card(c.Motors.Places[0].Line, middle, "", "motor[].ahead")
	}
	m := &c.Motors
	if m.HasLosses && m.LossHigh < leastLoss {
		l.card(0, "nobody loses so little: wakes, mounting and heat take some 10 to 20 %", "write the share that is lost", "motors.losses")
	}
	if m.HasLosses && m.LossHigh > 0.5 {
		l.card(0, "takes more than half of the thrust, and wakes, mounting and heat take some 10 to 20 %", "write the share that is lost", "motors.losses")
	}
	if r := &m.Rig; r.CleanTo > m.Thrust*(1+apart) && m.Thrust > 0 {
		l.card(0, "is more than the thrust itself, "+c.Show(m.Thrust, rules.Force), "write the thrust of one motor up to which it ran clean", "motors.rig.clean_to")
	}
	l.rigVolts(false)
	l.momentum(false)
	l.energy(c)
	l.packs(c)
	if p := l.Pad; p != nil && m.Current > 0 && p.Packs.IdleCurrent > idleShare*m.Current {
		l.tell(l.PadFile.Fault(0, fmt.Sprintf("is %.0f %% of the current at full thrust: rotors that still turn would be taken for standing", 100*p.Packs.IdleCurrent/m.Current), "write what electronics alone draw", "packs.idle_current"), l.On("card motors.current"))
	}
}

// What packs are like, ours and wide: energy over mass (Wh/kg), resistance of a cell (Ω),
// what full thrust takes of a cell (V), and current over charge (1/h).
const (
	leastEnergy, mostEnergy = 40, 350
	leastCell               = 0.2e-3
	mostSag                 = 1.2
	mostRate                = 60
)

// packs looks at each pack, as one of several side by side.
func (l *looker) packs(c *card.Card) {
	for i := range c.Packs {
		p, cells := &c.Packs[i], float64(c.Packs[i].Cells)
		share := c.Motors.Current / float64(len(c.Packs))
		if wh := p.Capacity / 3600 * 3.7 * cells; p.Mass > 0 && p.Capacity > 0 && (wh < leastEnergy*p.Mass || wh > mostEnergy*p.Mass) {
			l.tell(l.CardFile.Fault(p.Line, fmt.Sprintf("is %.0f Wh for each kilogram with its mass of %s, and packs have %d to %d", wh/p.Mass, c.Show(p.Mass, rules.Mass), leastEnergy, mostEnergy), "mend charge, cells or mass", "pack[].capacity"), l.CardFile.Places(p.Line, "pack[].mass"))
		}
		if rate := share * 3600 / max(p.Capacity, 1); p.Capacity > 0 && rate > mostRate {
			l.tell(l.CardFile.Fault(p.Line, fmt.Sprintf("full thrust would empty it in %s: no pack gives that", rules.Format(math.Floor(p.Capacity/share), "s")), "mend the charge, or motors.current", "pack[].capacity"), l.On("card motors.current"))
		}
		switch sag := share * p.Resistance / cells; {
		case p.Resistance == 0:
		case p.Resistance < leastCell*cells:
			l.card(p.Line, fmt.Sprintf("is %s a cell, and no cell has so little", rounding.Show(p.Resistance/cells, "mohm", 2, rounding.Near)), "write that of the whole pack with its leads", "pack[].resistance")
		case sag > mostSag:
			l.tell(l.CardFile.Fault(p.Line, fmt.Sprintf("full thrust would take %s of each cell: packs with so much cannot feed it", rounding.Show(sag, "V", 2, rounding.Near)), "write that of the whole pack with its leads, or mend motors.current", "pack[].resistance"), l.On("card motors.current"))
		}
	}
}

// Electric power for each newton of thrust at full output, W/N, from a large slow rotor
// to a ducted fan; ours.
const leastPower, mostPower = 2, 80

// energy looks at what motors draw and packs hold.
func (l *looker) energy(c *card.Card) {
	m := &c.Motors
	if len(c.Packs) == 0 {
		return
	}
	thrust, capacity, all := float64(m.Count)*m.Thrust, 0.0, true
	for i := range c.Packs {
		capacity += c.Packs[i].Capacity
		all = all && c.Packs[i].Capacity > 0
	}
	if m.Current > 0 && thrust > 0 {
		if each := m.Current * 3.7 * float64(c.Packs[0].Cells) / thrust; each < leastPower || each > mostPower {
			l.card(0, fmt.Sprintf("is some %.2g W for each newton of thrust, and rotors take %d to %d", each, leastPower, mostPower), "write what all motors together draw at full thrust, or mend thrust and cells", "motors.current")
		}
		for i := range c.Steps {
			s := &c.Steps[i]
			hover := l.draws(s, thrust)
			if lasts := capacity / hover; all && s.Shown.Hover.Seconds() > lasts {
				l.tell(l.CardFile.Fault(s.Line, fmt.Sprintf("the packs last %s in a hover, some %.0f A of %s", rules.Format(math.Floor(lasts), "s"), hover, rules.Format(capacity, "Ah")), "ask for a shorter hover, or mend capacity and current", "step[].hover"),
					l.On("card motors.current"), l.ballast(s))
				break
			}
		}
	}
	if p := l.Pad; p != nil && p.Packs.Capacity > 0 && all {
		like := func(v float64) bool { return math.Abs(v-p.Packs.Capacity) <= 0.05*v }
		if !like(capacity) && !slices.ContainsFunc(c.Packs, func(k card.Pack) bool { return like(k.Capacity) }) {
			l.pad("the packs of the test card hold "+rules.Format(capacity, "Ah")+" together", "write the charge of the pack that is told of, or mend the card", "packs.capacity")
		}
	}
}

// draws is what a hover with the step's ballast draws, A: power goes with thrust to 1.5
// (momentum theory).
func (l *looker) draws(s *card.Step, thrust float64) float64 {
	return l.Card.Motors.Current * math.Pow(min(1, (l.Card.Craft.Mass+s.Ballast)*Gravity/thrust), 1.5)
}

// lighter is the share of what draws reckons that no hover stays under: motors and
// controllers may lose less in a hover than at full output; ours.
const lighter = 0.7

// hoverCurrent looks at limits on current against what the card's hovers draw.
func (l *looker) hoverCurrent(refused bool) {
	steps, thrust := l.flights()
	if len(steps) == 0 || thrust == 0 || l.Card.Motors.Current == 0 || l.onGround() {
		return
	}
	l.eachRule(func(r *rules.Rule) {
		packs := 1.0 // side by side, as the crew may have wired them
		switch r.Watch {
		case rules.Pack1Current, rules.Pack2Current, rules.Pack3Current, rules.Pack4Current, rules.Pack1Charge:
			packs = float64(max(1, len(l.Card.Packs)))
		case rules.SupplyCurrent, rules.ESCCurrent:
		default:
			return
		}
		for _, s := range steps {
			amps := l.draws(s, thrust) / packs
			says := fmt.Sprintf("in the hover that step %q asks for, which draws some %s of the %s at full thrust", s.Name, rounding.Show(amps, r.Unit, 2, rounding.Near), rounding.Show(l.Card.Motors.Current, r.Unit, 3, rounding.Near))
			if r.Watch == rules.Pack1Charge && r.Form == rules.Above {
				if need := amps * max(s.Shown.Hover.Seconds(), recipe.HoverTime); !refused && r.Limit < need {
					l.limit(r.Line, fmt.Sprintf("%q is reached after %s of a hover, which draws some %s", r.Name, rules.Format(math.Floor(r.Limit/amps), "s"), rounding.Show(amps, "A", 2, rounding.Near)), "raise it, as far as the pack's charge allows", l.ballast(s))
					return
				}
				continue
			}
			switch {
			case r.Form != rules.Above || r.Limit > amps:
				continue
			case refused && s == steps[0] && r.Limit < lighter*amps:
				l.limit(r.Line, fmt.Sprintf("%q trips %s", r.Name, says), "raise it over the hover's current, or mend the number", l.ballast(s))
			case !refused:
				l.limit(r.Line, fmt.Sprintf("%q may trip %s", r.Name, says), "raise it over the hover's current", l.ballast(s))
			}
			return
		}
	})
}

// Full thrust by pad file over that by card; ours. The pad's is that of the lightest
// craft without losses, so that it may well be more.
const mostOver, neverOver = 1.6, 3

// thrusts refuses full thrust that two files cannot both mean.
func (l *looker) thrusts() {
	if l.Pad == nil || l.Card == nil || l.Card.Motors.Thrust == 0 || l.Pad.Height.MaxAcceleration == 0 {
		return
	}
	by := l.Pad.Height.MaxAcceleration / (float64(l.Card.Motors.Count) * l.Card.Motors.Thrust / l.Card.Craft.Mass)
	if by > neverOver || by < 1.0/neverOver {
		l.pad(fmt.Sprintf("full thrust is %.3g times the weight here, and %.3g times by the test card: one of the two is wrong", l.Pad.Height.MaxAcceleration/Gravity, l.Pad.Height.MaxAcceleration/by/Gravity),
			"write that of all motors together, without losses, and the mass of the lightest craft", "height.thrust_to_weight", "height.max_thrust")
	}
}

func (l *looker) agree() {
	if l.Pad == nil || l.Card == nil {
		return
	}
	radius, thrust := agree(l.Pad, l.Card)
	if radius != "" {
		l.tell(l.CardFile.Fault(0, radius, "", "craft.radius", "craft.width"), l.On("pad craft.radius"))
	}
	switch {
	case thrust == "":
	case strings.Contains(thrust, "too high"):
		l.pad(thrust, "", "height.max_thrust", "height.thrust_to_weight")
	default:
		l.card(0, thrust, "", "motors.thrust", "motors.rig.reading")
	}
}
