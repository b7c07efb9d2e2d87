package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// motors works on the outputs of the fitted motors: the highest, the spread
// (highest less lowest), the headroom (1 less the highest). All fitted motors
// must be heard: one that is not could be the highest.
//
// The trigger is the last fitted motor's output, the latest in
// SERVO_OUTPUT_RAW.
type motors struct {
	untimed
	output rules.ChannelID
	count  int
}

func (m motors) Trigger() rules.ChannelID { return rules.Motor1Output + rules.ChannelID(m.count-1) }
func (m motors) Output() rules.ChannelID  { return m.output }

func (m motors) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	worst := t[m.Trigger()]
	highest, lowest := worst.Value, worst.Value
	for id := rules.Motor1Output; id < m.Trigger(); id++ {
		r := fresh(t, id, at)
		if r.Quality < worst.Quality {
			worst = r
		}
		highest, lowest = math.Max(highest, r.Value), math.Min(lowest, r.Value)
	}
	switch m.output {
	case rules.MotorSpread:
		return publish(highest-lowest, worst), true
	case rules.MotorHeadroom:
		return publish(1-highest, worst), true
	}
	return publish(highest, worst), true
}

func (m motors) Clone() limits.Calculator { return m }

// rotorSpeed is the speed of the fastest fitted rotor, either way round. All
// fitted rotors must be heard: one that is not could still be turning. The
// trigger is the last fitted one.
type rotorSpeed struct {
	untimed
	count int
}

func (m rotorSpeed) Trigger() rules.ChannelID { return rules.Motor1Speed + rules.ChannelID(m.count-1) }
func (m rotorSpeed) Output() rules.ChannelID  { return rules.RotorSpeed }

func (m rotorSpeed) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	worst := t[m.Trigger()]
	fastest := math.Abs(worst.Value)
	for id := rules.Motor1Speed; id < m.Trigger(); id++ {
		r := fresh(t, id, at)
		if r.Quality < worst.Quality {
			worst = r
		}
		fastest = math.Max(fastest, math.Abs(r.Value))
	}
	return publish(fastest, worst), true
}

func (m rotorSpeed) Clone() limits.Calculator { return m }
