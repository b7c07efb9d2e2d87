package hazard

import (
	"fmt"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// Heard gives the time between two values of a channel as it was really heard;
// ok is false where nobody listened. A nil Heard has heard nothing.
type Heard func(rules.ChannelID) (period time.Duration, ok bool)

// Budget is the longest that a rule may take, in s:
//
//	link + max(filter + period · (1 + lost) + lasting, stale_after)
//	  + engine + thrust gone
//
// Link is the constant delay that the pad file states of what the craft says; where it
// states none, it comes on top, and that is said.
type Budget struct {
	// Filter is what averages and a converter that settles hold a step back.
	Filter  float64 `json:"filter_s"`
	Period  float64 `json:"period_s"`
	Lost    int     `json:"values_lost"`
	Lasting float64 `json:"lasting_s"`
	Engine  float64 `json:"engine_s"`
	Link    float64 `json:"link_delay_s"`
	// Measured reports that Period was heard from the craft, not taken from what
	// the channel usually needs.
	Measured bool `json:"period_measured"`
	// Value is from the excursion to the decision while values come; Silence
	// from the last good value to the decision. Whichever is longer counts.
	Value   float64 `json:"by_value_s"`
	Silence float64 `json:"by_silence_s"`
	// Relay is until the relay opens, Grace not counted.
	Relay float64 `json:"to_relay_s"`
	Grace float64 `json:"grace_s"`
	// Thrust is from relay open until no thrust is left, Rotors until the rotors
	// stand, each with where it comes from; Gone is to no thrust and Whole to
	// rotors standing, Grace not counted.
	Thrust     float64 `json:"thrust_s"`
	ThrustSays string  `json:"thrust_is"`
	Rotors     float64 `json:"rotors_s"`
	RotorsSays string  `json:"rotors_are"`
	Gone       float64 `json:"to_no_thrust_s"`
	Whole      float64 `json:"to_rotors_s"`
}

// lost is how many values in a row may be lost; ours.
const lost = 1

// settles is how many readings a load cell's converter takes to show a step whole:
// HX711, 400 ms at 10 a second and 50 ms at 80 (from memory). Others are taken for no
// better.
const settles = 4

// filters are the spans over which derived channels average: so long may a
// step take to show whole.
var filters = map[rules.ChannelID]time.Duration{
	rules.Gust: 3 * time.Second, rules.Mean2: 2 * time.Minute, rules.Mean10: 10 * time.Minute, rules.Sway: 5 * time.Second,
	rules.LinkLoss: 10 * time.Second, rules.Peak10: 3 * time.Second, rules.Lull10: 3 * time.Second, rules.RotorGust: 3 * time.Second,
	rules.TensionRate: 50 * time.Millisecond, rules.PackToFloor: time.Minute,
}

// source is the measured channel by whose rate a derived one comes.
func source(id rules.ChannelID, p *pad.Pad) rules.ChannelID {
	switch id {
	case rules.Height, rules.Climb, rules.Apex:
		if len(p.Height.Sources) > 0 {
			return p.Height.Sources[0]
		}
	case rules.Tilt, rules.Sway:
		return rules.Roll
	case rules.Distance, rules.SlantRange:
		return rules.North
	case rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom:
		return rules.Motor1Output
	case rules.RotorSpeed:
		return rules.Motor1Speed
	case rules.PackMeanCell, rules.PackResting, rules.PackResistance, rules.PackToFloor:
		return p.Derived().PackVoltage
	}
	return id
}

// period is the time between two values of a channel, and whether it was heard.
func period(id rules.ChannelID, p *pad.Pad, heard Heard) (time.Duration, bool) {
	if p.LoadCell.Fitted && (id == rules.Tension || id == rules.TensionRate) {
		return time.Duration(float64(time.Second) / p.LoadCell.Rate), false
	}
	if heard != nil {
		for _, from := range []rules.ChannelID{id, source(id, p)} {
			if d, ok := heard(from); ok && d > 0 {
				return d, true
			}
		}
	}
	if old := p.Slow[source(id, p)]; old > 0 {
		return old * 2 / 5, true // as the pad file has it from whoever listened
	}
	return id.Channel().Period, false
}

// pulse is the time between two pulses of the anemometer at a limit of the wind:
// in a light wind it tells of itself seldom. At a wind that turns no cups it is
// 0: only silence tells of that.
func pulse(r *rules.Rule, p *pad.Pad) time.Duration {
	v := r.Limit - p.Wind.Offset
	if !r.Watch.OfWind() || !p.Wind.Fitted || r.Form == rules.RisingFaster || r.Form == rules.FallingFaster || !(v > 0) {
		return 0
	}
	return time.Duration(min(p.Wind.Slope/v, r.StaleAfter.Seconds()) * float64(time.Second))
}

// Reaction is the budget of one rule on this pad.
func Reaction(r *rules.Rule, p *pad.Pad, stop stopping.Times, heard Heard) Budget {
	every, measured := period(r.Watch, p, heard)
	every = max(every, pulse(r, p))
	filter := filters[r.Watch] + r.Over
	if p.LoadCell.Fitted && (r.Watch == rules.Tension || r.Watch == rules.TensionRate) {
		filter += settles * every
	}
	value := filter + (1+lost)*every + r.Lasting
	b := Budget{
		Filter: filter.Seconds(), Period: every.Seconds(), Lost: lost, Lasting: r.Lasting.Seconds(), Engine: p.LongestGap.Seconds(), Measured: measured,
		Value: value.Seconds(), Silence: r.StaleAfter.Seconds(), Grace: r.Grace.Seconds(),
	}
	if p.Fed(r.Watch) == rules.CraftSays || r.Watch == rules.LinkAge {
		b.Link = p.LinkDelay().Seconds()
	}
	b.Relay = b.Link + max(b.Value, b.Silence) + b.Engine
	b.Thrust, b.ThrustSays = stop.Thrust.Gone.Seconds(), stop.Thrust.Says()
	b.Rotors, b.RotorsSays = stop.Rotors.Standing.Seconds(), stop.Rotors.Says()
	b.Gone, b.Whole = b.Relay+b.Thrust, b.Relay+b.Rotors
	return b
}

// Says returns the budget in a sentence; a pad that is only watching holds no relay.
func (b *Budget) Says(stop rules.Stop, onlyWatching bool) string {
	seconds := func(v float64) string { return rules.Format(v, "s") }
	up := func(v float64) string { return rounding.Show(v, "s", 3, rounding.Up) }
	switch {
	case stop == rules.NoStop:
		return fmt.Sprintf("Caution within %s.", up(b.Relay))
	case onlyWatching:
		return fmt.Sprintf("Told within %s; this pad takes no power off.", up(b.Relay))
	}
	text := fmt.Sprintf("Relay open within %s", up(b.Relay))
	if stop == rules.Controlled {
		text = fmt.Sprintf("Told within %s, relay open at most %s later", up(b.Relay), seconds(b.Grace))
	}
	if b.ThrustSays == b.RotorsSays {
		return text + fmt.Sprintf(", thrust gone %s and rotors standing %s after (%s).", up(b.Thrust), up(b.Rotors), b.RotorsSays)
	}
	return text + fmt.Sprintf(", thrust gone %s after (%s), rotors standing %s after (%s).", up(b.Thrust), b.ThrustSays, up(b.Rotors), b.RotorsSays)
}
