package bench

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Climbs holds the climbs that a craft tells against the height of the same message, as
// the guard does.
type Climbs struct {
	made  []limits.Calculator
	table limits.Table
}

// NewClimbs makes one for one sender.
func NewClimbs() *Climbs {
	c := &Climbs{}
	for _, id := range []rules.ChannelID{rules.ClimbGlobal, rules.ClimbLocal} {
		made, _ := derived.New(derived.Config{ClimbSource: id}, func(id rules.ChannelID) bool { return id == rules.Climb })
		c.made = append(c.made, made...)
	}
	return c
}

// Take takes a sample of the sender, and returns why a guard would not take this climb;
// rules.NoCause of all others.
func (c *Climbs) Take(at time.Duration, s *interlock.Sample) (against rules.Cause) {
	c.table[s.Channel] = limits.Reading{At: at, Value: s.Value, Quality: s.Quality, Cause: s.Cause}
	for _, m := range c.made {
		if m.Trigger() != s.Channel {
			continue
		}
		if r, _ := m.Sample(at, &c.table); r.Cause >= rules.ClimbAgainst && r.Cause <= rules.HUDFits {
			against = r.Cause
		}
	}
	return against
}

// climb is the source of climb beside that height, and what is to be said of it; NoChannel
// is the one of the same message.
func (h *heard) climb(height rules.ChannelID) (rules.ChannelID, string) {
	told := derived.ClimbPartner(height)
	fits := map[rules.Cause]rules.ChannelID{rules.GlobalFits: rules.ClimbGlobal, rules.LocalFits: rules.ClimbLocal, rules.HUDFits: rules.ClimbHUD}[h.against[told]]
	if fits == rules.NoChannel {
		return fits, ""
	}
	return fits, ", climb from " + fits.String() + ", since " + told.String() + " runs against it"
}
