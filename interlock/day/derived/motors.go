package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// motorsOf works on the outputs of the fitted motors: the highest, the spread
// (highest less lowest), the headroom (1 less the highest). All fitted motors
// must be heard: one that is not could be the highest.
//
// The trigger is the last fitted motor's output, the latest in
// SERVO_OUTPUT_RAW.
func (c Config) motorsOf(output rules.ChannelID) limits.Calculator {
	last := rules.Motor1Output + rules.ChannelID(c.Motors-1)
	return plain{trigger: last, output: output, work: func(at time.Duration, t *limits.Table) limits.Result {
		worst := t[last]
		highest, lowest := worst.Value, worst.Value
		for id := rules.Motor1Output; id < last; id++ {
			r := fresh(t, id, at)
			if r.Quality < worst.Quality {
				worst = r
			}
			highest, lowest = math.Max(highest, r.Value), math.Min(lowest, r.Value)
		}
		switch output {
		case rules.MotorSpread:
			return publish(highest-lowest, worst)
		case rules.MotorHeadroom:
			return publish(1-highest, worst)
		}
		return publish(highest, worst)
	}}
}

// rotorSpeed is the speed of the fastest fitted rotor, either way round. All
// fitted rotors must be heard: one that is not could still be turning. The
// trigger is the last fitted one.
func (c Config) rotorSpeed() limits.Calculator {
	last := rules.Motor1Speed + rules.ChannelID(c.Motors-1)
	return plain{trigger: last, output: rules.RotorSpeed, work: func(at time.Duration, t *limits.Table) limits.Result {
		worst := t[last]
		fastest := math.Abs(worst.Value)
		for id := rules.Motor1Speed; id < last; id++ {
			r := fresh(t, id, at)
			if r.Quality < worst.Quality {
				worst = r
			}
			fastest = math.Max(fastest, math.Abs(r.Value))
		}
		return publish(fastest, worst)
	}}
}
