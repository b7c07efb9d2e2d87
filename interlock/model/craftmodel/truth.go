package craftmodel

import (
	"math"
	"time"
)

// Tension is the last conversion of the load cell at the anchor in newtons,
// with its noise.
func (c *Craft) Tension() float64 { return c.cell }

// Wind is the wind speed in m/s that the cups of the anemometer turn with.
func (c *Craft) Wind() float64 {
	if c.cupsStuck {
		return 0
	}
	return c.wind.cup
}

// PulseHz is the anemometer's pulse rate: f = (U − offset)/slope, never below
// zero. Below its offset the rotor stands still.
func (c *Craft) PulseHz() float64 {
	if c.cupsStuck {
		return 0
	}
	return math.Max((c.wind.cup-c.cfg.PulseOffset)/c.cfg.PulseSlope, 0)
}

// Pulses adds the times of the anemometer's pulses since the last call. When
// nobody asks for long, the oldest are dropped.
func (c *Craft) Pulses(dst []time.Duration) []time.Duration {
	dst = append(dst, c.pulses...)
	c.pulses = c.pulses[:0]
	return dst
}

// Loads adds the load cell's readings (80 a second) since the last call. When
// nobody asks for long, the oldest are dropped.
func (c *Craft) Loads(dst []Load) []Load {
	dst = append(dst, c.loads...)
	c.loads = c.loads[:0]
	return dst
}

// State is what is truly so, which no telemetry can know.
type State struct {
	At           time.Duration
	Mode         Mode
	Height       float64 // m, feet above ground
	Climb        float64 // m/s up
	North, East  float64 // m from the anchor
	Tilt         float64 // rad
	OnGround     bool
	Powered      bool
	Tension      float64 // N at the anchor, without noise
	WindAtCraft  float64 // m/s
	Thrust       float64 // N, all rotors
	Output       float64 // mean command, 0 to 1
	HighestRPM   float64
	Voltage      float64 // V, loaded
	Current      float64 // A
	Charge       float64 // 0 to 1
	TouchdownMax float64 // m/s, hardest touch-down so far
}

// Truth is what is truly so now.
func (c *Craft) Truth() State {
	b := &c.body
	s := State{
		At: c.now, Mode: c.pilot.mode, Height: b.height(&c.cfg), Climb: -b.vel.z,
		North: b.pos.x, East: b.pos.y, Tilt: b.att.tilt(), OnGround: b.touching, Powered: c.powered,
		Tension: c.tether.tension, WindAtCraft: c.wind.at(-b.pos.z).horizontal(),
		Voltage: c.pack.voltage, Current: c.pack.current, Charge: c.pack.charge, TouchdownMax: b.hardest,
	}
	for i := range c.rotors {
		s.Thrust += c.rotors[i].thrust
		s.Output += c.rotors[i].output / float64(len(c.rotors))
		s.HighestRPM = math.Max(s.HighestRPM, 60*c.rotors[i].n)
	}
	return s
}

// TrueThrust is the thrust in newtons of all rotors together, whole and
// settled, at an output from 0 to 1 and a loaded pack voltage.
func (c *Craft) TrueThrust(output, voltage float64) float64 {
	return float64(c.cfg.Motors) * c.cfg.thrustAt(output, voltage)
}

// TruePower is the electric power in watts of all rotors and the avionics when
// they give that thrust together.
func (c *Craft) TruePower(thrust float64) float64 {
	n := float64(c.cfg.Motors)
	one := InducedPower(thrust/n, c.cfg.rho, c.cfg.discArea())
	return n*one/(c.cfg.FigureOfMerit*c.cfg.Efficiency) + c.cfg.Avionics
}

// TrueHoverOutput is the output from 0 up at which the craft, as it is loaded,
// hovers in still air with a slack tether, at the voltage its pack gives while
// it does (present charge, slow sag settled). Above 1 it cannot.
func (c *Craft) TrueHoverOutput() float64 {
	return c.TrueHoverOutputWith(c.cfg.Ballast)
}

// TrueHoverOutputWith is TrueHoverOutput with another ballast in kg.
func (c *Craft) TrueHoverOutputWith(ballast float64) float64 {
	weight := (c.cfg.Mass + ballast) * Gravity
	settled := c.cfg.resistance() * (1 + c.cfg.SlowResistance/c.cfg.CellResistance)
	v := loaded(c.pack.resting(), settled, c.TruePower(weight))
	return math.Sqrt(weight / c.TrueThrust(1, v))
}

// TrueMass is the mass of craft and ballast in kg.
func (c *Craft) TrueMass() float64 { return c.body.mass }

// AirDensity is the density of the model's air in kg/m³.
func (c *Craft) AirDensity() float64 { return c.cfg.rho }
