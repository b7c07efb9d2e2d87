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

// Known is what counts on a pad by the records, for the craft of that name or,
// without one, for that of the newest opening: from the highest output for which
// they prove the stop, upTo, or stated where that is 0.
func (t *Tally) Known(p *pad.Pad, craft string) (_ Times, upTo float64) {
	if p.Board.Kind.Models() {
		return Stated(p), 0
	}
	of := What(p, craft)
	for i := range t.Stops {
		if s := &t.Stops[i]; craft == "" && !s.Of.Model && s.Of.Craft != NoCraft {
			of.Craft = s.Of.Craft
		}
	}
	proof := t.Prove(of)
	upTo = proof.UpTo()
	return proof.Times(upTo, p.Stated(), p.FullThrustAfter()), upTo
}
