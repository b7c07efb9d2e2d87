package stopping

import (
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Times are what is known of the time after the relay's opening. The two are
// never mixed: Rotors serves access, keep-out and walk-in, Thrust what the craft
// does meanwhile.
type Times struct {
	Rotors rules.RotorsStanding
	Thrust rules.ThrustGone
}

// Stated is what counts on a pad before its stop was measured, and always on a
// virtual board: a modelled contactor proves nothing.
func Stated(p *pad.Pad) Times {
	rotors := p.Stated()
	return Times{rotors, rotors.Evenly(p.FullThrustAfter())}
}
