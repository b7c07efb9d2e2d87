package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// FullOutput is what was measured of this craft, tied down, at full output: the pull of
// all motors (N), the pack's voltage at rest before and under that load, and the current.
// The zero value is that nothing was.
type FullOutput struct{ Pull, Resting, Volts, Amps float64 }

// liftMargin is what a thrust may be over the bound below: on 160 steps of 16 measured
// tables of propellers (StrawsonDesign, motor_propeller_testing, at 7.4 and 11.1 V) no
// reserve told with it is over the measured one.
const liftMargin = 1.04

// liftReserve is the thrust still to be had over the thrust now, at least: 1/T − 1,
// where T = 1.04·max(x, x²) bounds the thrust now as a share of that at full output.
// x is the highest motor output times the voltage now over the voltage that would be
// left at full output: thrust goes with the square of rotor speed (T = C_T·ρ·n²·D⁴),
// speed with output and voltage, and on the way up with less than both. What is left is
// what was measured, less what the pack's sag takes now (U − (I_full − I)·R, R as
// measured then).
//
// Assumptions: the motors and propellers are those of the measurement, and all motors are
// raised together; thin air leaves as large a share. A pack of more resistance than then
// (old, cold) leaves less than told. So it is low by about half of the reserve at half
// output, and by little near full output. It is missing until the measurement is on
// record: 1/u² − 1 of the output alone was too high on each of 208 tables.
func (c Config) liftReserve(at time.Duration, t *limits.Table) limits.Result {
	if c.Full.Pull == 0 {
		return missing(rules.NoFullOutput)
	}
	u, volts, amps := t[rules.MotorHighest], fresh(t, c.PackVoltage, at), fresh(t, c.PackCurrent, at)
	return publish(c.Full.reserve(u.Value, volts.Value, amps.Value), u, volts, amps)
}

func (f FullOutput) reserve(u, volts, amps float64) float64 {
	ch := rules.LiftReserve.Channel()
	ohms := (f.Resting - f.Volts) / f.Amps
	left := math.Min(f.Volts, volts-float64((f.Amps-amps)*ohms))
	switch x := u * volts / left; {
	case left <= 0:
		return ch.Low
	case x <= 0:
		return ch.High
	default:
		return math.Min(ch.High, 1/float64(liftMargin*math.Max(x, float64(x*x)))-1)
	}
}
