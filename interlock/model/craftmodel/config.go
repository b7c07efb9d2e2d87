package craftmodel

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Config describes a craft, its pad and its day. EightTwo gives a whole one;
// New refuses a value that makes no sense and names every one of them.
type Config struct {
	Name string
	Seed uint64

	// The craft.
	Mass     float64 // kg, empty
	Ballast  float64 // kg
	Motors   int     // LeastMotors to MostMotors, evenly around the mast
	ArmReach float64 // m, mast to rotor axis
	Inertia  [3]float64
	// LegReach and LegHeight place the four feet: sideways from the mast, and
	// below the centre of mass, in metres.
	LegReach, LegHeight float64
	DragArea            float64 // CdA in m²

	// The rotors.
	Diameter          float64 // m
	ThrustCoefficient float64 // CT in T = CT ρ n² D⁴
	FigureOfMerit     float64
	Efficiency        float64 // of motor and speed controller together
	SpeedPerVolt      float64 // rev/s at full command for each volt, loaded
	MotorLag          time.Duration
	SpinDown          time.Duration // time constant without power

	// The pack.
	Cells          int     // in series; above MostCellsTold only with PackInCellZero
	Packs          int     // alike, in parallel, at most 4
	Capacity       float64 // Ah, one pack
	Charge         float64 // 0 to 1 at the start
	CellResistance float64 // ohm, one cell with its share of the wiring
	SlowResistance float64 // ohm, one cell, the slow part
	SlowTime       time.Duration
	Avionics       float64 // W

	// The tether. Modulus is its force for each unit of relative stretch.
	TetherLength  float64 // m; 0: no tether
	TetherModulus float64 // N
	TetherDamping float64 // N s/m
	LoadCellNoise float64 // N, one standard deviation
	// Lever puts one motor on a thrust stand: its thrust over what the load cell reads.
	// Nothing moves there, and no tether is read. 0: a craft on its tether.
	Lever float64

	// The air.
	Elevation        float64 // m above sea level
	Celsius          float64
	Wind             float64 // m/s, mean at the anemometer
	WindFrom         float64 // rad from north
	Turbulence       float64 // multiple of the published turbulence; 0: none
	Roughness        float64 // m, roughness length
	AnemometerHeight float64 // m
	CupDistance      float64 // m, distance constant of the cups; 0: none
	// PulseSlope (m) and PulseOffset (m/s) are the anemometer's line
	// U = offset + slope · f.
	PulseSlope, PulseOffset float64

	// The telemetry.
	System, Component byte
	Version1          bool      // MAVLink 1 frames
	Key               *[32]byte // signs the frames (MAVLink 2)
	// Periods changes how often a message is sent, by message id; 0 means
	// never. What is not named keeps its usual period.
	Periods map[uint32]time.Duration
	// PackInCellZero sends the whole pack's voltage in cell 0, as a monitor
	// without cell taps does.
	PackInCellZero      bool
	Start               time.Time     // wall clock of the craft at time zero
	Uptime              time.Duration // how long it had been running then
	Latitude, Longitude float64       // degrees, of the pad

	// Unpowered starts with the contactor open.
	Unpowered bool
	// Events happen by themselves; they must be in order of time.
	Events []Event

	// Worked out once by New.
	rho           float64 // kg/m³
	follow, decay float64 // shares of a rotor's lag that one tick covers and leaves
	yawArm        float64 // m, see yawPerThrust
}

// settle works out what stays the same for a whole flight.
func (c *Config) settle() {
	c.rho = Density(c.Elevation, c.Celsius)
	c.follow = 1 - math.Exp(-tickTime.Seconds()/c.MotorLag.Seconds())
	c.decay = math.Exp(-tickTime.Seconds() / c.SpinDown.Seconds())
	c.yawArm = c.yawPerThrust()
}

// EightTwo is a fictional craft: eight 0.9 m propellers, 60 kg empty, a
// 14-cell pack, on a 9 m tether. The numbers are of a plausible size and come
// from no real craft.
func EightTwo() Config {
	return Config{
		Name: "Eight 2", Seed: 1,
		Mass: 60, Motors: 8, ArmReach: 1.25, Inertia: [3]float64{9, 9, 16},
		LegReach: 0.5, LegHeight: 0.45, DragArea: 0.45,
		Diameter: 0.9, ThrustCoefficient: 0.1, FigureOfMerit: 0.68, Efficiency: 0.86,
		SpeedPerVolt: 0.92, MotorLag: 80 * time.Millisecond, SpinDown: 350 * time.Millisecond,
		Cells: 14, Packs: 1, Capacity: 44, Charge: 1,
		CellResistance: 0.0013, SlowResistance: 0.0005, SlowTime: 20 * time.Second, Avionics: 35,
		TetherLength: 9, TetherModulus: 42e3, TetherDamping: 150, LoadCellNoise: 3,
		Elevation: 120, Celsius: 14, Wind: 3, WindFrom: 250 * math.Pi / 180, Turbulence: 1,
		Roughness: 0.03, AnemometerHeight: 3, CupDistance: 2,
		PulseSlope: 0.62, PulseOffset: 0.27,
		System: 1, Component: 1,
		Start:  time.Date(2031, 5, 3, 8, 0, 0, 0, time.UTC),
		Uptime: 95 * time.Second, Latitude: 50.25, Longitude: 3.75,
	}
}

// MostCellsTold is how many cells BATTERY_STATUS can tell by themselves; mostCells
// is what a pad file takes.
const MostCellsTold, mostCells = 14, 28

// LeastMotors hold roll and pitch by thrust alone; one or two need vanes or rotors that
// tilt, which the model has not. MostMotors is what SERVO_OUTPUT_RAW tells.
const LeastMotors, MostMotors = 3, 16

// tickTime is the step of the model. The stiffest part, the feet on the
// ground, swings about twenty times slower.
const tickTime = time.Millisecond

// check names every value that makes no sense.
func (c *Config) check() error {
	var wrong []error
	need := func(ok bool, name string, got any, want string) {
		if !ok {
			wrong = append(wrong, fmt.Errorf("craft model: %s must be %s (got %v)", name, want, got))
		}
	}
	positive := func(name string, v float64) {
		need(v > 0 && !math.IsInf(v, 1), name, v, "above zero")
	}
	notNegative := func(name string, v float64) {
		need(v >= 0 && !math.IsInf(v, 1), name, v, "zero or more")
	}
	share := func(name string, v float64) { need(v > 0 && v <= 1, name, v, "above 0 and at most 1") }

	positive("mass", c.Mass)
	notNegative("ballast", c.Ballast)
	need(c.Lever >= 0 && !math.IsInf(c.Lever, 1), "lever", c.Lever, "zero or more")
	need(c.Motors >= LeastMotors && c.Motors <= MostMotors || c.Lever > 0 && c.Motors == 1, "motors", c.Motors, fmt.Sprintf("%d to %d", LeastMotors, MostMotors))
	positive("arm reach", c.ArmReach)
	for i, v := range c.Inertia {
		positive("inertia about "+[]string{"x", "y", "z"}[i], v)
	}
	positive("leg reach", c.LegReach)
	positive("leg height", c.LegHeight)
	notNegative("drag area", c.DragArea)
	positive("diameter", c.Diameter)
	positive("thrust coefficient", c.ThrustCoefficient)
	share("figure of merit", c.FigureOfMerit)
	share("efficiency", c.Efficiency)
	positive("speed per volt", c.SpeedPerVolt)
	need(c.MotorLag >= tickTime, "motor lag", c.MotorLag, "at least "+tickTime.String())
	need(c.SpinDown >= tickTime, "spin down", c.SpinDown, "at least "+tickTime.String())
	need(c.Cells >= 1 && c.Cells <= mostCells, "cells", c.Cells, fmt.Sprintf("1 to %d", mostCells))
	need(c.Cells <= MostCellsTold || c.PackInCellZero, "cells", c.Cells, fmt.Sprintf("at most %d where each is told by itself", MostCellsTold))
	need(c.Packs >= 1 && c.Packs <= 4, "packs", c.Packs, "1 to 4")
	positive("capacity", c.Capacity)
	share("charge", c.Charge)
	positive("cell resistance", c.CellResistance)
	notNegative("slow resistance", c.SlowResistance)
	need(c.SlowTime >= 100*time.Millisecond, "slow time", c.SlowTime, "at least 100ms")
	notNegative("avionics", c.Avionics)
	notNegative("tether length", c.TetherLength)
	if c.TetherLength > 0 {
		positive("tether modulus", c.TetherModulus)
		notNegative("tether damping", c.TetherDamping)
	}
	notNegative("load cell noise", c.LoadCellNoise)
	need(c.Elevation > -500 && c.Elevation < 11000, "elevation", c.Elevation, "between -500 and 11000 m")
	need(c.Celsius > -60 && c.Celsius < 60, "temperature", c.Celsius, "between -60 and 60 °C")
	notNegative("wind", c.Wind)
	need(!math.IsNaN(c.WindFrom) && !math.IsInf(c.WindFrom, 0), "wind direction", c.WindFrom, "an angle")
	notNegative("turbulence", c.Turbulence)
	positive("roughness", c.Roughness)
	need(c.AnemometerHeight > 2*c.Roughness, "anemometer height", c.AnemometerHeight, "above twice the roughness length")
	notNegative("cup distance", c.CupDistance)
	positive("pulse slope", c.PulseSlope)
	notNegative("pulse offset", c.PulseOffset)
	need(c.System != 0, "system", c.System, "1 to 255")
	need(c.Component != 0, "component", c.Component, "1 to 255")
	need(!(c.Version1 && c.Key != nil), "version 1 with a key", "both", "one of them: MAVLink 1 frames carry no signature")
	need(c.Uptime >= 0, "uptime", c.Uptime, "zero or more")
	need(math.Abs(c.Latitude) <= 90, "latitude", c.Latitude, "-90 to 90 degrees")
	need(math.Abs(c.Longitude) <= 180, "longitude", c.Longitude, "-180 to 180 degrees")
	for i, e := range c.Events {
		if i > 0 && e.At < c.Events[i-1].At {
			need(false, "events", fmt.Sprintf("%v after %v", e.At, c.Events[i-1].At), "in order of time")
		}
		if err := e.check(c); err != nil {
			wrong = append(wrong, err)
		}
	}
	return errors.Join(wrong...)
}
