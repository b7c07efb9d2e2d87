package stopping

import (
	"strings"

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

// Known is what counts on a pad by its records, for the craft of that name or,
// without one, for that of the newest opening: from the highest output for which
// they prove the stop, upTo, or stated where that is 0. Records that cannot be
// read prove nothing.
func Known(p *pad.Pad, craft string) (t Times, upTo float64) {
	if p.Board.Kind == pad.Virtual {
		return Stated(p), 0
	}
	records, _, err := Records(p.LogFolder)
	if err != nil {
		return Stated(p), 0
	}
	of := What(p, craft)
	for _, r := range records {
		if craft == "" && !r.Of.Model {
			of.Craft = strings.ToLower(r.Of.Craft)
		}
	}
	proof := Judge(records, of)
	upTo = proof.UpTo()
	return proof.Times(upTo, p.Stated(), p.FullThrustAfter()), upTo
}
