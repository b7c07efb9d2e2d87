package card

import (
	"fmt"
	"math"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Stand is one motor with its propeller on a thrust stand, where the pad's load cell
// reads the thrust: a step on the ground with limits of its own.
type Stand struct {
	// Motor is its output, from 1.
	Motor int
	// Propeller is from tip to tip, m; MaxSpeed its maker's highest speed, rev/s.
	Propeller, MaxSpeed float64
}

func readStand(t *document.Table) *Stand {
	var s Stand
	s.Motor, _ = t.Int("motor", 1, HeardOutputs)
	t.Need("motor", "missing", "write the output that the motor hangs on, from 1: motor = 1")
	s.Propeller, _ = rules.PositiveAt(t, "propeller", rules.Length)
	t.Need("propeller", "missing: nobody could tell the speed of its tips, or a wrong lever", `write it from tip to tip: propeller = "15 in"`)
	s.MaxSpeed, _ = rules.PositiveAt(t, "max_speed", rules.Frequency)
	t.Need("max_speed", "missing: a propeller bursts past its maker's speed", `write what its maker states: max_speed = "9000 rpm"`)
	t.Need("envelope", "missing: a motor at full output on a stand has limits of its own", `name the file: envelope = "stand.toml", and its envelope_sha256`)
	t.Forbid("the load cell of a thrust stand reads the thrust", "take it out: the motor is bolted to the stand", "tie_down_pull")
	return &s
}

// AskLimits wants all that a motor on a stand can break (speed, thrust, current,
// temperature, vibration, time at full output) limited by a rule that takes the power off
// at once, or named under [without].
func (s *Stand) AskLimits(e *rules.Envelope, say func(string, ...any)) {
	n := rules.ChannelID(s.Motor) - 1
	var lacks []string
	for _, ids := range [][]rules.ChannelID{{rules.Motor1Speed + n, rules.RotorSpeed}, {rules.Tension}, {rules.Pack1Current, rules.SupplyCurrent, rules.ESCCurrent},
		{rules.ESCTemperature, rules.Pack1Temperature}, {rules.Vibration}, {rules.Motor1Output + n, rules.MotorHighest}} {
		limited := false
		for _, id := range ids {
			_, absent := e.Absent(id)
			limited = limited || absent
			for i := range e.Rules {
				r := &e.Rules[i]
				stops := r.Watch == id && r.Form == rules.Above && r.Stop == rules.Immediate && r.While != rules.Airborne
				limited = limited || stops
				if stops && id.Channel().Kind == rules.Frequency && r.Limit > s.MaxSpeed {
					say("%q allows %s, and the propeller's maker %s: lower it", r.Name, rules.Format(r.Limit, "rpm"), rules.Format(s.MaxSpeed, "rpm"))
				}
			}
		}
		if !limited {
			lacks = append(lacks, ids[0].String())
		}
	}
	if len(lacks) > 0 {
		say("a motor on the thrust stand wants a rule with above = … and stop = \"immediate\" on each of %s, or a line under [without] why there is none", document.List(lacks, "and"))
	}
}

func (s *Stand) cautions() []string {
	return []string{"a shield in front of everybody; nobody in the plane of the propeller or downstream; a hard-wired stop at hand",
		"first run at low output, and listen: the load cell cannot see a flutter faster than half its readings; stop at any new sound",
		fmt.Sprintf("never past the propeller maker's %s: its tips run at %.0f %% of the speed of sound there", rules.Format(s.MaxSpeed, "rpm"), 100*math.Pi*s.Propeller*s.MaxSpeed/340.294)} // sound at 15 °C, m/s (ISO 2533)
}
