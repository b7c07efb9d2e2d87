package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// liftReserve is the thrust still to be had over the thrust now: 1/u² − 1, u
// the highest motor output. Source: T = C_T·ρ·n²·D⁴ (propeller theory, thrust
// coefficient), so thrust goes with the square of rotor speed, and a craft of
// thrust-to-weight ratio R hovers at 1/√R of full speed: the reserve in a
// hover is R − 1.
//
// Assumptions: output is proportional to rotor speed (a controller that is
// linearised to thrust makes the true reserve 1/u − 1, which is less); the
// pack holds its voltage; all motors are raised together, so the highest is the
// one that runs out. Away from a hover it says nothing of weight. At small
// outputs it stops at the top of the channel's range.
type liftReserve struct{ untimed }

func (liftReserve) Trigger() rules.ChannelID { return rules.MotorHighest }
func (liftReserve) Output() rules.ChannelID  { return rules.LiftReserve }

func (liftReserve) Sample(_ time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.MotorHighest]
	return publish(reserve(in.Value), in), true
}

func reserve(u float64) float64 {
	most := rules.LiftReserve.Channel().High
	if u <= 0 {
		return most
	}
	return math.Min(most, 1/float64(u*u)-1)
}

func (l liftReserve) Clone() limits.Calculator { return l }
