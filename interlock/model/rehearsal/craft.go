package rehearsal

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// Craft is the modelled craft of one pad, card and envelope.
type Craft struct {
	Config craftmodel.Config
	Step   *card.Step
	// Assumed is what the files do not say, with what is taken instead.
	Assumed []string
	// FullThrust is of all motors at full output on a full pack, N.
	FullThrust float64
	// Hover is a height at which nothing of these limits trips in calm air, m;
	// Room says whether there is one.
	Hover float64
	Room  bool
	// Delay is how late the link always is.
	Delay    time.Duration
	fullAmps float64 // of a motor on a thrust stand at full output
}

// Of a craft whose files do not say otherwise; order of size, no source. They are
// those of craftmodel.EightTwo, carried to other sizes.
const (
	discLoading  = 140.0 // N of hover thrust for each m² of disc
	apart        = 1.05  // spacing of neighbouring rotors over their diameter
	ohmAmpHours  = 0.057 // resistance of one cell times its capacity
	minutesAloft = 8.0   // of hover in a full pack
	mostSag      = 0.12  // of a full pack at full output
	ropePerLoad  = 2.0   // tether modulus over breaking strength
)

// model returns the modelled craft of files that were checked, as it flies one
// step of the card; an empty step is the first that flies. It refuses what is
// missing and what could never lift.
func model(f guard.Files, c guard.Checked, step string) (*Craft, document.Faults) {
	m := &modelling{files: f, Checked: c, out: &Craft{Config: craftmodel.EightTwo()}}
	if c.Card == nil {
		m.fault(f.Pad.Name, 0, "", "no test card: a craft is modelled from its mass, motors, thrust and packs, which stand there", `put card.toml beside the pad file, or give --card`)
		return nil, m.faults
	}
	m.step(step)
	if s := m.out.Step; s != nil && s.Stand != nil {
		m.stand(s.Stand)
		return m.out, m.faults
	}
	m.need()
	if len(m.faults) > 0 {
		return nil, m.faults
	}
	m.body()
	m.pack()
	m.rotors()
	m.rope()
	m.rest()
	m.room()
	if len(m.faults) > 0 {
		return nil, m.faults
	}
	return m.out, nil
}

type modelling struct {
	guard.Checked
	files  guard.Files
	out    *Craft
	faults document.Faults
}

func (m *modelling) fault(file string, line int, key, wrong, mend string) {
	m.faults = append(m.faults, document.Fault{File: file, Line: line, Key: key, Wrong: wrong, Mend: mend})
}

func (m *modelling) assume(format string, args ...any) {
	m.out.Assumed = append(m.out.Assumed, fmt.Sprintf(format, args...))
}

// show writes a value in the units of the card.
func (m *modelling) show(v float64, k rules.Kind) string { return m.Card.Show(v, k) }

func (m *modelling) step(name string) {
	for i := range m.Card.Steps {
		s := &m.Card.Steps[i]
		if (s.Kind == card.Flight || s.Stand != nil && name != "") && (name == "" || s.Name == name) {
			m.out.Step = s
			return
		}
	}
	if name == "" {
		m.fault(m.files.Card.Name, 0, "step", "no step of the card flies", `write one [[step]] with ballast = "0 kg"`)
		return
	}
	if s, ok := m.Card.Step(name); ok {
		m.fault(m.files.Card.Name, s.Line, "step", fmt.Sprintf("%q does not fly, and only flights and steps on the thrust stand are rehearsed", name), "name a step that has a ballast")
		return
	}
	m.fault(m.files.Card.Name, 0, "step", fmt.Sprintf("the card has no step %q", name), "name one of its steps that fly")
}

// need refuses files without what a model cannot do without.
func (m *modelling) need() {
	name, motors := m.files.Card.Name, &m.Card.Motors
	switch n := motors.Count; n {
	case 0:
		m.fault(name, 0, "motors.count", "missing: the model needs it", "write how many motors there are under [motors]: count = 8")
	default:
		if n < craftmodel.LeastMotors || n > craftmodel.MostMotors {
			m.fault(name, motors.Line, "motors.count", fmt.Sprintf("the model has crafts of %d to %d motors (got %d): fewer hold themselves level by vanes or by rotors that tilt", craftmodel.LeastMotors, craftmodel.MostMotors, n), "the craft of this card cannot be rehearsed")
		}
	}
	if motors.Thrust == 0 && m.Pad.Full.Pull == 0 {
		m.fault(name, motors.Line, "motors.thrust", "missing: the model needs it", `write the static thrust of one motor under [motors], from a stand or its maker's table: thrust = "130 N"`)
	}
	if m.cells() == 0 {
		m.fault(name, 0, "pack.cells", "missing: the model needs it", "write one [[pack]] with name and cells: cells = 14")
	}
	if m.Envelope.Tether.Length == 0 {
		m.fault(m.files.Envelope.Name, 0, "tether.length", "missing: the model needs it", `write how long the tether is under [tether]: length = "9 m"`)
	}
}

func (m *modelling) cells() int {
	if len(m.Card.Packs) > 0 {
		return m.Card.Packs[0].Cells
	}
	return m.Pad.Packs.Cells
}

// body is what the craft weighs and how big it is.
func (m *modelling) body() {
	c := &m.out.Config
	c.Name, c.Mass, c.Ballast, c.Motors = m.Card.Craft.Name, m.Card.Craft.Mass, m.out.Step.Ballast, m.Card.Motors.Count
	c.Elevation, c.Celsius = 0, 15
	radius := m.Card.Craft.Radius
	if radius == 0 {
		radius = m.Pad.Craft.Radius
	}
	n := float64(c.Motors)
	side := math.Sin(math.Pi/n) * 2 / apart // rotor diameter over arm reach, where neighbours just clear
	switch {
	case radius > 0:
		c.ArmReach = radius / (1 + side/2)
		c.Diameter = side * c.ArmReach
	default:
		c.Diameter = math.Sqrt(4 / math.Pi * c.Mass * craftmodel.Gravity / (n * discLoading))
		c.ArmReach = c.Diameter / side
		radius = c.ArmReach + c.Diameter/2
		m.assume("size: %s from the middle to the blade tips, from %.0f N of weight on each m² of disc; no radius is stated", rules.Reading(radius, rules.DefaultUnit(rules.Length, m.Card.Units)), discLoading)
	}
	if places := m.Card.Motors.Places; len(places) > 0 {
		var arms float64
		for _, p := range places {
			arms += p.Arm() / float64(len(places))
		}
		if arms > 0 {
			c.ArmReach = arms
		}
	}
	eight := craftmodel.EightTwo()
	spread := c.Mass * c.ArmReach * c.ArmReach / (eight.Mass * eight.ArmReach * eight.ArmReach)
	for i := range c.Inertia {
		c.Inertia[i] = eight.Inertia[i] * spread
	}
	size := radius / 1.7 // of a craft as wide as EightTwo
	c.LegReach, c.LegHeight, c.DragArea = eight.LegReach*size, eight.LegHeight*size, eight.DragArea*size*size
}

// pack is the supply; what it gives at full output is settled with the rotors.
func (m *modelling) pack() {
	c := &m.out.Config
	c.Cells, c.Packs = m.cells(), max(m.Pad.Packs.Count, 1)
	c.PackInCellZero = c.Cells > craftmodel.MostCellsTold
	if c.PackInCellZero {
		m.assume("no single cells: a battery message has room for %d, so the craft tells the voltage of its %d cells as a whole", craftmodel.MostCellsTold, c.Cells)
	}
	var stated card.Pack
	if len(m.Card.Packs) > 0 {
		stated = m.Card.Packs[0]
	}
	amps := m.hoverPower(c) / (3.7 * float64(c.Cells)) / float64(c.Packs)
	c.Capacity = stated.Capacity / 3600
	if c.Capacity == 0 && m.Pad.Packs.Capacity > 0 {
		c.Capacity = m.Pad.Packs.Capacity / 3600
	}
	if c.Capacity == 0 {
		c.Capacity = max(amps*minutesAloft/60, 0.1)
		m.assume("capacity: %.3g Ah a pack, %.0f minutes of hover; the card states none", c.Capacity, minutesAloft)
	}
	full := &m.Pad.Full
	switch {
	case full.Amps > 0:
		c.CellResistance = (full.Resting - full.Volts) / full.Amps / float64(c.Cells) * float64(c.Packs)
	case stated.Resistance > 0:
		c.CellResistance = stated.Resistance / float64(c.Cells)
	default:
		full := float64(float64(c.Motors)*m.Card.Motors.Thrust) / ((c.Mass + c.Ballast) * craftmodel.Gravity)
		amps := m.Card.Motors.Current / float64(c.Packs)
		if amps == 0 {
			amps = m.hoverPower(c) * math.Pow(full, 1.5) / (craftmodel.RestingCell(1) * (1 - mostSag) * float64(c.Cells)) / float64(c.Packs)
		}
		c.CellResistance = min(ohmAmpHours/c.Capacity, mostSag*craftmodel.RestingCell(1)/amps)
		m.assume("resistance: %.3g mohm a pack, as cells of that capacity have, or that of %.0f %% sag at full output where that is less; neither card nor [full_output] states it", 1000*c.CellResistance*float64(c.Cells), 100*mostSag)
	}
	eight := craftmodel.EightTwo()
	c.SlowResistance = c.CellResistance * eight.SlowResistance / eight.CellResistance
	c.Avionics = min(eight.Avionics, 0.02*m.hoverPower(c))
}

// hoverPower is the electric power of the hover with rotors of the diameter so far, W.
func (m *modelling) hoverPower(c *craftmodel.Config) float64 {
	n, w := float64(c.Motors), (c.Mass+c.Ballast)*craftmodel.Gravity
	area := math.Pi * c.Diameter * c.Diameter / 4
	return n * craftmodel.InducedPower(w/n, craftmodel.Density(c.Elevation, c.Celsius), area) / (c.FigureOfMerit * c.Efficiency)
}

// rotors makes the rotors give what the files state: the thrust at the voltage of
// a full pack at full output (or that of the stand), and the current there.
func (m *modelling) rotors() {
	c, out, motors, full := &m.out.Config, m.out, &m.Card.Motors, &m.Pad.Full
	n := float64(c.Motors)
	rho := craftmodel.Density(c.Elevation, c.Celsius)
	source := float64(c.Cells) * craftmodel.RestingCell(1)
	r := c.CellResistance * float64(c.Cells) / float64(c.Packs)
	loss := (motors.LossLow + motors.LossHigh) / 2
	thrust := n * motors.Thrust * (1 - loss)
	var volts, watts float64
	switch {
	case full.Pull > 0:
		thrust, volts, watts = full.Pull, full.Volts, full.Volts*full.Amps
	case motors.Current > 0:
		volts = source - motors.Current*r
		watts = volts * motors.Current
		if volts < source/2 {
			m.fault(m.files.Card.Name, motors.Line, "motors.current", fmt.Sprintf("the packs cannot give it: %.3g A through %.3g mohm leave %.3g V of %.3g V", motors.Current, 1000*r, volts, source), "check current, and capacity and resistance of the packs")
			return
		}
	}
	if watts > 0 { // the disc follows from power and thrust (momentum theory)
		shaft := watts * c.FigureOfMerit * c.Efficiency / n
		c.Diameter = math.Sqrt(4 / math.Pi * math.Pow(thrust/n, 3) / (2 * rho * shaft * shaft))
	} else {
		area := math.Pi * c.Diameter * c.Diameter / 4
		watts = n*craftmodel.InducedPower(thrust/n, rho, area)/(c.FigureOfMerit*c.Efficiency) + c.Avionics
		d := source*source - 4*r*watts
		if d < 0 {
			m.fault(m.files.Card.Name, motors.Line, "motors.thrust", fmt.Sprintf("the packs cannot give it: it asks for %.3g kW, and %.3g V behind %.3g mohm give %.3g kW at most", watts/1000, source, 1000*r, source*source/(4*r)/1000), "check thrust, and cells, capacity and resistance of the packs; state [motors] current if it was measured")
			return
		}
		volts = (source + math.Sqrt(d)) / 2
		m.assume("current: %.3g A at full output, from momentum theory, a figure of merit of %.2f and an efficiency of %.2f; no current is stated", watts/volts, c.FigureOfMerit, c.Efficiency)
	}
	if motors.Rig.Measured && full.Pull == 0 {
		volts = motors.Rig.Volts
	}
	one := thrust / n
	c.SpeedPerVolt = math.Sqrt(one/(c.ThrustCoefficient*rho*math.Pow(c.Diameter, 4))) / volts
	out.FullThrust = thrust
	weight := (c.Mass + c.Ballast) * craftmodel.Gravity
	if thrust <= weight {
		m.fault(m.files.Card.Name, motors.Line, "motors.thrust", fmt.Sprintf("the craft of these files cannot lift step %q: %s of thrust, %s of weight", out.Step.Name, m.show(thrust, rules.Force), m.show(weight, rules.Force)), "check thrust, losses, mass and ballast, or name a lighter step")
		return
	}
	c.MotorLag = max(min(80*time.Millisecond, time.Duration(c.Diameter/0.9*float64(80*time.Millisecond))), 20*time.Millisecond)
	if m.Pad.Stop.Proven {
		// exp(−t/τ) from the hover's speed down to where the model lets a rotor stand.
		hover := c.SpeedPerVolt * volts * math.Sqrt(weight/thrust)
		c.SpinDown = max(time.Duration(float64(m.Pad.Stop.Time)/math.Log(max(hover/0.05, 2))), 20*time.Millisecond)
	} else {
		m.assume("run-down of the rotors: a time constant of %.2g s; [stop] of the pad states none that was measured", c.SpinDown.Seconds())
	}
}

// rope is the tether as a spring: force over relative stretch.
func (m *modelling) rope() {
	c, t := &m.out.Config, &m.Envelope.Tether
	c.TetherLength = t.Length
	weight := (c.Mass + c.Ballast) * craftmodel.Gravity
	switch {
	case t.Fast.Share > 0:
		c.TetherModulus = t.Fast.At / t.Fast.Share
	case t.Slow.Share > 0:
		c.TetherModulus = t.Slow.At / t.Slow.Share
	case t.BreakingStrength > 0:
		c.TetherModulus = ropePerLoad * t.BreakingStrength
		m.assume("stretch: %.0f %% at half the breaking strength; [tether] states none", 100/ropePerLoad/2)
	default:
		c.TetherModulus = 80 * weight
		m.assume("stretch: 12 %% at ten times the weight; [tether] states neither stretch nor breaking strength")
	}
	// As damped as EightTwo's, a seventh of critical: order of size, no source.
	c.TetherDamping = 0.28 * math.Sqrt(c.TetherModulus/c.TetherLength*c.Mass)
	c.LoadCellNoise = max(3e-4*weight, 0.01)
}

// rest is anemometer, link and identity.
func (m *modelling) rest() {
	c, w := &m.out.Config, &m.Pad.Wind
	if w.Fitted {
		c.PulseSlope, c.PulseOffset = w.Slope, w.Offset
		if w.Height > 0 {
			c.AnemometerHeight = w.Height
		}
		if w.Roughness > 0 {
			c.Roughness = w.Roughness
		}
	}
	c.Wind, c.Turbulence = 1.5, 1
	c.System, c.Component = m.Pad.Craft.System, m.Pad.Craft.Component
	c.Unpowered = true
	m.out.Delay = m.Pad.LinkDelay()
	for _, n := range m.Pad.Named {
		m.assume("%s: the modelled craft sends no named value %q, so what rests on it stays missing", n.Channel, n.Name)
	}
}

// airs is how far the craft bobs and what the newest sample's age adds: a share of
// the room below a height limit that a hover leaves free.
const airs = 0.8

// room finds the height for the hover: below every limit on height and on the
// predicted apex, and with slack in the tether.
func (m *modelling) room() {
	out, p := m.out, m.Pad
	top := 0.6 * m.Envelope.Tether.Length
	for i := range m.Envelope.Rules {
		r := &m.Envelope.Rules[i]
		if r.Form != rules.Above || r.Stop == rules.NoStop {
			continue
		}
		limit := r.Limit
		if r.HasCaution {
			limit = r.Caution
		}
		switch r.Watch {
		case rules.Apex:
			t := p.Reaction(rules.ThrustGone{}) + 100*time.Millisecond
			top = min(top, limit-derived.Coast(p.Height.ErrorHeight, p.Height.ErrorClimb, t.Seconds(), p.Height.MaxAcceleration-craftmodel.Gravity))
		case rules.Height, rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance, rules.SlantRange:
			top = min(top, limit)
		}
	}
	out.Hover = airs * top
	if out.Room = out.Hover >= 0.3; !out.Room {
		out.Hover = 0.3
	}
}
