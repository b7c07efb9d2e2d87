package pad

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// delays are the hold time and the controllers' delay that count where the file
// states none: how long a reach may go on enabling the rotors once the
// contactor is open. Ours: a contactor on board cuts the power itself, a
// controller looks at its enable line now and then, and a radio link notices its
// own loss late.
var delays = map[string]time.Duration{"wired pair": 0, "enable line": 100 * time.Millisecond, "radio link": time.Second}

// Rehearses reports whether this pad's board is a model, of which no proof is asked.
func (p *Pad) Rehearses() bool { return p.Duty == interlock.Guard && !p.Commission.Required }

// Stated is when the rotors stand after the relay's opening, as long as no stop
// test measured it.
func (p *Pad) Stated() rules.RotorsStanding { return rules.Stated(p.Stop.Stated, p.Stop.Time) }

// FullThrustAfter is how long thrust may stay full after the relay's opening:
// the contactor's drop-out, and the reach's hold time and controllers' delay.
func (p *Pad) FullThrustAfter() time.Duration { return p.Contactor.DropOut + p.Reach.Delay }

// LinkDelay is how late what the craft says always is, by the latest link: more where
// the earliest of several is heard.
func (p *Pad) LinkDelay() (longest time.Duration) {
	for i := range p.Links {
		longest = max(longest, p.Links[i].Delay)
	}
	return longest
}

// Reaction is the time from a sample's taking to no thrust that the predicted
// apex counts on: the link's constant delay, a turn of the loop and the thrust
// after the opening, those two never less than the file states. A rehearsal takes
// no power off, and a pad that only watches opens nothing: there the file's word
// stands.
func (p *Pad) Reaction(g rules.ThrustGone) time.Duration {
	if p.Duty == interlock.Watch || p.Rehearses() {
		return p.LinkDelay() + p.Height.Reaction
	}
	return p.LinkDelay() + max(p.Height.Reaction, p.LongestGap+g.Gone)
}
