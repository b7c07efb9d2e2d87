package craftmodel

import "math"

// Thrust of one rotor in newtons: T = CT ρ n² D⁴, n in revolutions a second,
// D in metres (the propeller convention of the thrust coefficient).
func Thrust(ct, rho, n, d float64) float64 { return ct * rho * n * n * d * d * d * d }

// inducedVelocity is v = √(T/(2ρA)) in m/s, the ideal hovering rotor of
// momentum theory; A is the disc area in m².
func inducedVelocity(thrust, rho, area float64) float64 {
	return math.Sqrt(math.Max(thrust, 0) / (2 * rho * area))
}

// InducedPower is P = T v = T^1.5/√(2ρA) in watts: the least power momentum
// theory allows. The shaft needs P over the figure of merit.
func InducedPower(thrust, rho, area float64) float64 {
	return math.Max(thrust, 0) * inducedVelocity(thrust, rho, area)
}

// rotor is one motor with its propeller.
type rotor struct {
	arm    vec     // where it sits in the body, m
	spin   float64 // +1 or −1: sign of the yaw moment it puts on the craft
	n      float64 // revolutions a second
	output float64 // command now, 0 to 1
	health float64 // share of the thrust that is left
	dead   bool    // gives no thrust and does not turn under power
	thrust float64 // N
}

// step lets the rotor follow its command for one tick: speed in proportion to
// command times loaded voltage, with a first-order lag (stepped without error).
func (r *rotor) step(c *Config, voltage float64, powered bool) {
	if powered && !r.dead && r.output > 0 {
		want := c.SpeedPerVolt * r.output * voltage
		r.n += (want - r.n) * c.follow
	} else {
		r.n *= c.decay
		if r.n < 0.05 {
			r.n = 0 // bearing friction ends what the exponential never would
		}
	}
	r.thrust = Thrust(c.ThrustCoefficient, c.rho, r.n, c.Diameter) * r.health
}

// power is the electric power in watts the motor draws while driven: induced
// power over figure of merit and efficiency. A damaged blade takes the power
// of a whole one.
func (r *rotor) power(c *Config) float64 {
	t := Thrust(c.ThrustCoefficient, c.rho, r.n, c.Diameter)
	return InducedPower(t, c.rho, c.discArea()) / (c.FigureOfMerit * c.Efficiency)
}

// yawPerThrust is the moment about the mast for each newton of thrust, in
// metres: Q/T = CP D/(2π CT) with CP = CT^1.5 √(2/π)/FM, which is the power
// above written as a coefficient (P = CP ρ n³ D⁵).
func (c *Config) yawPerThrust() float64 {
	cp := c.ThrustCoefficient * math.Sqrt(c.ThrustCoefficient*2/math.Pi) / c.FigureOfMerit
	return cp * c.Diameter / (2 * math.Pi * c.ThrustCoefficient)
}

func (c *Config) discArea() float64 { return math.Pi * c.Diameter * c.Diameter / 4 }
