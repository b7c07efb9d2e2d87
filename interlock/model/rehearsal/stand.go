package rehearsal

import (
	"math"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Of a motor on a thrust stand whose files do not say otherwise; order of size, no source.
const (
	standCoefficient = 0.11 // CT in T = CT·ρ·n²·D⁴
	standReach       = 0.92 // of the maker's speed at full output on a full pack
	standAmpHours    = 5.0  // of a pack
	hangs            = 2.0  // kg, the known mass of the played crew
	resting          = 4 * time.Second
)

// stand models one motor on the pad's load cell, which reads the thrust itself.
func (m *modelling) stand(s *card.Stand) {
	c, out := &m.out.Config, m.out
	if m.cells() == 0 {
		m.fault(m.files.Card.Name, 0, "pack.cells", "missing: the model needs it", "write one [[pack]] with name and cells: cells = 14")
	}
	if !m.Pad.LoadCell.Fitted {
		m.fault(m.files.Pad.Name, 0, "load_cell", "missing: nothing else reads the thrust on a stand", "write [load_cell] with two [[load_cell.known]]")
	}
	if len(m.faults) > 0 {
		return
	}
	c.Name, c.Mass, c.Ballast, c.Motors, c.Lever, c.TetherLength = m.Card.Craft.Name, m.Card.Craft.Mass, 0, 1, 1, 0
	c.Elevation, c.Celsius = 0, 15
	c.Diameter, c.ArmReach = s.Propeller, s.Propeller
	rho := craftmodel.Density(c.Elevation, c.Celsius)
	full := standReach * s.MaxSpeed
	c.ThrustCoefficient = standCoefficient
	if t := m.Card.Motors.Thrust; t > 0 {
		c.ThrustCoefficient = t / (rho * full * full * math.Pow(c.Diameter, 4))
	} else {
		m.assume("thrust: that of a coefficient of %.2f at %s, %.0f %% of the maker's speed; the card states none", standCoefficient, rules.Format(full, "rpm"), 100*standReach)
	}
	out.FullThrust = craftmodel.Thrust(c.ThrustCoefficient, rho, full, c.Diameter)
	watts := craftmodel.InducedPower(out.FullThrust, rho, math.Pi*c.Diameter*c.Diameter/4) / (c.FigureOfMerit * c.Efficiency)
	c.Cells, c.Packs = m.cells(), 1
	c.PackInCellZero = c.Cells > craftmodel.MostCellsTold
	var stated card.Pack
	if len(m.Card.Packs) > 0 {
		stated = m.Card.Packs[0]
	}
	if c.Capacity = stated.Capacity / 3600; c.Capacity == 0 {
		c.Capacity = standAmpHours
		m.assume("capacity: %.3g Ah; the card states none", c.Capacity)
	}
	source := float64(c.Cells) * craftmodel.RestingCell(1)
	c.CellResistance = stated.Resistance / float64(c.Cells)
	if c.CellResistance == 0 {
		c.CellResistance = mostSag * source * source / watts / float64(c.Cells)
		m.assume("resistance: %.3g mohm a pack, for %.0f %% of sag at full output; the card states none", 1000*c.CellResistance*float64(c.Cells), 100*mostSag)
	}
	c.SlowResistance, c.Avionics = c.CellResistance/3, math.Min(c.Avionics, 0.02*watts)
	ohms := c.CellResistance * float64(c.Cells)
	under := source*source - 4*ohms*(watts+c.Avionics)
	if under < 0 {
		m.fault(m.files.Card.Name, stated.Line, "pack.resistance", "the pack cannot give full output", "check cells, resistance, propeller and max_speed")
		return
	}
	volts := (source + math.Sqrt(under)) / 2
	out.fullAmps = watts / volts
	c.SpeedPerVolt = full / volts
	c.MotorLag, c.SpinDown = 50*time.Millisecond, 250*time.Millisecond
	c.LoadCellNoise = math.Max(1e-3*out.FullThrust, 0.005)
	m.rest()
	c.Wind, c.Turbulence = 0.5, 0
	out.Hover, out.Room = 0.3, true
}

// weigh is the crew's part on a stand before the start: tare, a known mass where the motor
// pulls, and the tare again.
func (f *flight) weigh(add func(until func(time.Duration, string) bool, waiting, says string, act func() error), after func(time.Duration) func(time.Duration, string) bool) {
	mark := func(text string) func() error {
		return func() error { return f.guard.Mark("stand "+text, "the rehearsal") }
	}
	hang := func(kg float64) error { return f.craft.Do(craftmodel.Event{Act: craftmodel.Hang, Value: kg}) }
	then := func(acts ...func() error) func() error {
		return func() error {
			for _, act := range acts {
				if err := act(); err != nil {
					return err
				}
			}
			return nil
		}
	}
	add(after(moment), "a moment", "", mark("begin"))
	add(after(resting), "a moment", "Tare, the propeller on and still. Then hangs "+rules.Format(hangs, "kg")+" where the motor pulls.", then(mark("tare; hold 3 s"), func() error { return hang(hangs) }))
	add(after(resting), "a moment", "Takes the mass off.", then(mark("hung; hold 3 s; mass "+rules.FormatExact(hangs, "kg")+"; doubt 0.002 kg"), func() error { return hang(0) }))
	add(after(resting), "a moment", "Tare again.", mark("tare; hold 3 s"))
}
