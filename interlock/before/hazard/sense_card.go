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

func (l *looker) weighs() {
	if l.Card == nil {
		return
	}
	c := l.Card
	lightest := math.Inf(1)
	for i := range c.Packs {
		p := &c.Packs[i]
		if p.Mass > 0 {
			lightest = min(lightest, p.Mass)
		}
		if p.Mass >= c.Craft.Mass {
			l.card(p.Line, "the pack weighs as much as the craft with it, "+c.Show(c.Craft.Mass, rules.Mass), "mass under [craft] is with its packs: mend one of the two", "pack[].mass")
			return
		}
	}
	if c.Craft.Structure > 0 && !math.IsInf(lightest, 1) && c.Craft.Structure+lightest > c.Craft.Mass*(1+apart) {
		l.card(0, fmt.Sprintf("with the lightest pack, %s, it is more than the craft ready to fly, %s", c.Show(lightest, rules.Mass), c.Show(c.Craft.Mass, rules.Mass)), "structure is all but the packs: weigh it again", "craft.structure")
	}
}

// What air a pad and a rig may have, ours, and how far apart their densities may be.
const (
	coldest, warmest       = -25, 45     // °C
	thinnest, thickest     = 57e3, 107e3 // Pa
	lowest, highest        = -450, 4500  // m
	leastDensity, mostOfIt = 0.7, 1.4
)

func (l *looker) air() {
	if l.Card == nil {
		return
	}
	pad, rig := l.Card.Air, l.Card.Motors.Rig.Air
	for _, of := range []struct {
		key string
		is  card.Air
	}{{"air", pad}, {"motors.rig.air", rig}} {
		a := of.is
		if a.Told && (a.Celsius < coldest || a.Celsius > warmest || a.Pressure > 0 && (a.Pressure < thinnest || a.Pressure > thickest) || a.Pressure == 0 && (a.Elevation < lowest || a.Elevation > highest)) {
			l.card(0, fmt.Sprintf("few fly in such air: from %d to %d °C (%s to %s), and 570 to 1070 hPa or up to %d m (%s)", coldest, warmest, rules.Format(coldest, "°F"), rules.Format(warmest, "°F"), highest, rules.Format(highest, "ft")), "write the air as it was, the pressure at the place and not reduced to sea level", of.key)
		}
	}
	if pad.Told && rig.Told {
		if by := air.Density(pad) / air.Density(rig); by < leastDensity || by > mostOfIt {
			l.tell(l.CardFile.Fault(0, fmt.Sprintf("is %.0f %% as dense as the rig's", 100*by), "mend one of the two", "air"), l.On("card motors.rig.air"))
		}
	}
}

// unweighed is the share of the craft's mass that may be in neither structure nor packs;
// ours: what scales and leads leave open.
const unweighed = 0.1

func (l *looker) missing() {
	if l.Card == nil || l.Card.Craft.Structure == 0 || len(l.Card.Packs) == 0 {
		return
	}
	c := l.Card
	left := c.Craft.Mass - c.Craft.Structure
	for i := range c.Packs {
		if c.Packs[i].Mass == 0 {
			return
		}
		left -= c.Packs[i].Mass
	}
	for i := range c.Steps {
		s, all := &c.Steps[i], c.Craft.Structure
		for j := range c.Packs {
			if slices.Contains(s.Shown.Packs, c.Packs[j].Name) {
				all += c.Packs[j].Mass
			}
		}
		if all > c.Craft.Mass*(1+apart) && len(s.Shown.Packs) > 0 {
			l.tell(l.CardFile.Fault(s.Line, fmt.Sprintf("with these packs structure and packs are %s, and the craft ready to fly %s", c.Show(all, rules.Mass), c.Show(c.Craft.Mass, rules.Mass)), "weigh craft, structure and packs again", "step[].packs"), l.On("card craft.structure"))
			break
		}
	}
	if left > unweighed*c.Craft.Mass {
		l.card(0, fmt.Sprintf("%s of the craft's %s are neither structure nor in a pack of this card", c.Show(left, rules.Mass), c.Show(c.Craft.Mass, rules.Mass)),
			"structure is all but the packs: weigh it again, or name every pack that flies", "craft.structure")
	}
}

func (l *looker) twice() {
	for i := 0; l.Card != nil && i < len(l.Card.Steps); i++ {
		s := &l.Card.Steps[i]
		for _, list := range []struct {
			key, what string
			names     []string
		}{{"step[].packs", "the pack", s.Shown.Packs}, {"step[].needs", "the step", s.Needs}} {
			for n, name := range list.names {
				if slices.ContainsFunc(list.names[:n], func(x string) bool { return strings.EqualFold(x, name) }) {
					l.card(s.Line, fmt.Sprintf("names %s %q twice", list.what, name), "name each once: another one may be meant", list.key)
					break
				}
			}
		}
	}
}

func (l *looker) needsNothing() {
	looks := func(s card.Step) bool { return s.Kind != card.Flight }
	for i := 0; l.Card != nil && slices.ContainsFunc(l.Card.Steps, looks) && i < len(l.Card.Steps); i++ {
		if s := &l.Card.Steps[i]; s.Kind == card.Flight && len(s.Needs) == 0 {
			l.card(s.Line, fmt.Sprintf("%q flies though nothing was looked at before", s.Name), "name the inspections, the stop test and the step before it: needs = [\"…\"]", "step[].needs", "step[].name")
		}
	}
}

func (l *looker) tiedown() {
	for i := 0; l.Card != nil && i < len(l.Card.Steps); i++ {
		if s := &l.Card.Steps[i]; s.TieDownPull > 0 && s.TieDown > 0 && s.TieDownPull >= s.TieDown {
			l.card(s.Line, "the tie-down would never hold it: it holds "+l.Card.Show(s.TieDown, rules.Force), "write the least that the load cell reads while the craft stands tied down", "step[].tie_down_pull")
		}
	}
}

// hover is the least and the most output that a hover of a mass may need at full
// thrust T: m g/T where output goes with thrust, √(m g/T) where it goes with the
// rotors' speed (thrust goes with its square).
func hover(weight, thrust float64) (least, most float64) {
	return weight / thrust, math.Sqrt(weight / thrust)
}

// flights gives the steps that fly under the limits at hand, with their masses, and
// full thrust; none where a file does not tell.
func (l *looker) flights() (steps []*card.Step, thrust float64) {
	if l.Card == nil {
		return nil, 0
	}
	thrust = float64(l.Card.Motors.Count) * l.Card.Motors.Thrust
	if share := airShare(l.Card); share > 0 {
		thrust *= share
	}
	if thrust == 0 && l.Pad != nil {
		thrust = l.Pad.Height.MaxAcceleration * l.mass()
	}
	for i := range l.Card.Steps {
		s := &l.Card.Steps[i]
		if s.Kind == card.Flight && (l.Envelope == nil || s.Envelope == "" || s.EnvelopeHash == l.Envelope.Hash) {
			steps = append(steps, s)
		}
	}
	return steps, thrust
}

// ballast is the place of a step's ballast.
func (l *looker) ballast(s *card.Step) []Place { return l.CardFile.Places(s.Line, "step[].ballast") }

func (l *looker) hoverOutput() {
	steps, thrust := l.flights()
	if thrust == 0 || len(steps) == 0 {
		return
	}
	pct := func(v float64) string { return rounding.Show(v, "%", 2, rounding.Up) }
	l.eachRule(func(r *rules.Rule) {
		room := r.Limit
		switch {
		case r.Watch == rules.MotorHighest && r.Form == rules.Above:
		case r.Watch == rules.MotorHeadroom && r.Form == rules.Below:
			room = 1 - r.Limit
		case r.Watch == rules.LiftReserve && r.Form == rules.Below:
			if has := thrust/((l.Card.Craft.Mass+steps[0].Ballast)*Gravity) - 1; r.Limit >= has {
				l.limit(r.Line, fmt.Sprintf("%q trips in any hover: full thrust is %.3g times the weight, which leaves %s", r.Name, has+1, pct(max(0, has))), "lower it", l.ballast(steps[0]))
			}
			return
		default:
			return
		}
		for _, s := range steps {
			if least, most := hover((l.Card.Craft.Mass+s.Ballast)*Gravity, thrust); most >= room && most < 1 {
				l.limit(r.Line, fmt.Sprintf("%q may trip in the hover that step %q asks for: with thrust %.3g times the weight that takes %s to %s of output", r.Name, s.Name, 1/least, pct(least), pct(most)),
					"leave room above the hover, or take ballast off the card", l.ballast(s))
				return
			}
		}
	})
	for _, s := range steps {
		if least, most := hover((l.Card.Craft.Mass+s.Ballast)*Gravity, thrust); s.Output < (least+min(1, most))/2 {
			l.tell(l.CardFile.Fault(s.Line, fmt.Sprintf("the hover alone takes %s of output or more, and up to %s where output goes with the rotors' speed, at full thrust %.3g times the weight", pct(least), pct(min(1, most)), 1/least), "write the highest output that the step needs", "step[].output"), l.ballast(s))
		}
	}
}

// jump and little are the shares of the mass that one step may add at most and at least;
// ours.
const jump, little = 0.5, 0.005

func (l *looker) steps() {
	steps, thrust := l.flights()
	if len(steps) == 0 {
		return
	}
	c := l.Card
	mass := func(v float64) string {
		return rounding.Show(v, rules.DefaultUnit(rules.Mass, c.Units), 3, rounding.Down)
	}
	lift, losses := liftOf(c)
	var last *card.Step // the one before, of those that fly
	var heavy []Place   // the ballast of the lightest step that is not lifted well
	for _, s := range steps {
		tell := func(wrong, mend, key string, rests ...[]Place) {
			if last != nil {
				rests = append(rests, l.ballast(last))
			}
			l.tell(l.CardFile.Fault(s.Line, wrong, mend, key), rests...)
		}
		left := thrust/Gravity - c.Craft.Mass - s.Ballast
		at := LiftStep{Left: Range{left, left}, Ratio: Range{Low: thrust / ((c.Craft.Mass + s.Ballast) * Gravity)}}
		if losses {
			if i := slices.IndexFunc(lift.Steps, func(x LiftStep) bool { return x.Line == s.Line }); i >= 0 {
				at = lift.Steps[i]
			}
		}
		if wrong := at.short(s.Name, mass); wrong != "" && thrust > 0 {
			mend, from, key := "take ballast off, or mend thrust, losses and mass", s.Line, "step[].ballast"
			if clean := usable(&c.Motors); at.Ratio.Low*c.Motors.Thrust/clean >= leastRatio && clean < c.Motors.Thrust {
				wrong, mend, from, key = fmt.Sprintf("no more is counted of a motor's %s; %s", c.Show(c.Motors.Thrust, rules.Force), wrong), "write the thrust up to which one motor ran clean", 0, "motors.rig.clean_to"
			}
			l.tell(l.CardFile.Fault(from, wrong, mend, key), heavy)
			heavy = append(heavy, l.ballast(s)...)
		}
		before := 0.0
		if last != nil {
			before = last.Ballast
		}
		has := thrust/((c.Craft.Mass+before)*Gravity) - 1
		if s.Shown.HasReserve && thrust > 0 && s.Shown.Reserve > has {
			tell(fmt.Sprintf("no flight shows it: full thrust is %.3g times the weight of the step before", has+1), "ask for less", "step[].reserve", heavy)
		}
		if last == nil && s.Shown.Hover > 0 {
			tell("asks nothing: no step before it flies", "take it out, or add a step that flies empty", "step[].hover")
		}
		switch {
		case s.Ballast > jump*c.Craft.Mass+before:
			tell(fmt.Sprintf("adds %s at once to a craft of %s", mass(s.Ballast-before), mass(c.Craft.Mass)), "add a step between: nobody knows how it flies with so much", "step[].ballast", l.On("card craft.mass"))
		case last != nil && s.Ballast > before && s.Ballast-before < little*c.Craft.Mass:
			tell(fmt.Sprintf("adds %s to the step before, which nobody feels on a craft of %s", mass(s.Ballast-before), mass(c.Craft.Mass)), "mend the number, or take one of the two steps out", "step[].ballast")
		case last != nil && s.Ballast < before:
			tell(fmt.Sprintf("is less than the %s of the step before", mass(before)), "bring the steps into the order of their ballast", "step[].ballast")
		}
		last = s
	}
}

// short returns what lift a step lacks, empty where there is enough.
func (s *LiftStep) short(name string, mass func(float64) string) string {
	text := fmt.Sprintf("step %q: %s left, thrust %.2f times the weight at worst", name, s.Left.says(mass), down2(s.Ratio.Low))
	switch {
	case s.Left.High <= 0:
		return text + ": the motors do not lift it"
	case s.Left.Low <= 0:
		return text + ": with the greater losses the motors do not lift it"
	case s.Ratio.Low < leastRatio:
		return fmt.Sprintf("%s: less than %.1f leaves little to steer with (common practice, no source)", text, leastRatio)
	}
	return ""
}

func (l *looker) cardWind() {
	steps, _ := l.flights()
	l.eachRule(func(r *rules.Rule) {
		if !r.Watch.OfWind() || r.Form != rules.Above || r.Stop == rules.NoStop {
			return
		}
		for _, s := range steps {
			if s.Shown.HasWind && s.Shown.Wind >= r.Limit {
				l.tell(l.CardFile.Fault(s.Line, fmt.Sprintf("the limit %q trips at %s already", r.Name, rules.Format(r.Limit, s.Shown.WindUnit)), "write less than the limit, so that a gust finds room", "step[].wind"),
					l.LimitFile.Places(r.Line, limitKeys...))
				return
			}
		}
	})
}
