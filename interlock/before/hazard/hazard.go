package hazard

import (
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Hazard is one thing that can hurt somebody, and who would see it.
type Hazard struct {
	Hazard string `json:"hazard"`
	// RestsOn is "own sensor", "what the craft says of itself", "input line of
	// the pad" or "observer and emergency stop".
	RestsOn string `json:"rests_on"`
	// Rules are those that act on it; a built-in interlock is "built in".
	Rules []string `json:"rules"`
}

// nobody is who is left where no channel shows a hazard.
const nobody = "observer and emergency stop"

// hazards are told with the channels any one of which shows them; common
// practice, no source.
var hazards = []struct {
	what string
	any  []rules.ChannelID
}{
	{"the tether is overloaded", []rules.ChannelID{rules.Tension, rules.WinchTension, rules.TensionRate}},
	{"the craft goes too high", []rules.ChannelID{rules.Apex, rules.Height, rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance, rules.Climb}},
	{"the craft drifts off, or the tether parts", []rules.ChannelID{rules.Distance, rules.SlantRange}},
	{"the craft tips over", []rules.ChannelID{rules.Tilt, rules.Roll, rules.Pitch, rules.RollRate, rules.PitchRate}},
	{"the craft swings ever wider", []rules.ChannelID{rules.Sway, rules.YawRate}},
	{"a pack runs flat", []rules.ChannelID{rules.Pack1LowestCell, rules.PackMeanCell, rules.PackToFloor, rules.Pack1Voltage, rules.SupplyVoltage}},
	{"a pack overheats", []rules.ChannelID{rules.Pack1Temperature, rules.Pack2Temperature, rules.Pack3Temperature, rules.Pack4Temperature}},
	{"no thrust is left to steer with", []rules.ChannelID{rules.MotorHighest, rules.MotorHeadroom, rules.MotorSpread, rules.LiftReserve}},
	{"a motor or its controller fails", []rules.ChannelID{rules.RotorSpeed, rules.ESCTemperature, rules.ESCFailures, rules.MotorSpread}},
	{"a rotor or frame shakes itself loose", []rules.ChannelID{rules.Vibration, rules.Clipping}},
	{"the wind is too strong", []rules.ChannelID{rules.Gust, rules.WindSpeed, rules.Mean2, rules.Mean10, rules.Peak10, rules.RotorWind, rules.RotorGust}},
}

// noChannel are hazards that no channel shows, whatever the pad has.
var noChannel = []string{"somebody or an animal inside the keep-out without passing the gate", "a blade or a part that comes loose",
	"fire or smoke", "a rope that chafes, an anchor that moves"}

// Hazards lists what can hurt somebody and who would see it, for the rules of
// all envelopes that are given.
func Hazards(p *pad.Pad, envelopes ...*rules.Envelope) []Hazard {
	var out []Hazard
	for _, h := range hazards {
		out = append(out, hazardOf(h.what, h.any, p, envelopes))
	}
	link := Hazard{Hazard: "the craft is heard no more", RestsOn: "silence itself", Rules: []string{"built in"}}
	gate := Hazard{Hazard: "somebody walks in by the gate", RestsOn: nobody, Rules: []string{}}
	if p.Board.Line(interlock.Gate.String()).Fitted && p.Duty == interlock.Guard {
		gate.RestsOn, gate.Rules = "input line of the pad", []string{"built in"}
	}
	if p.Duty == interlock.Watch {
		link.Rules = []string{}
		link.RestsOn = nobody
	}
	out = append(out, link, gate)
	for _, what := range noChannel {
		out = append(out, Hazard{what, nobody, []string{}})
	}
	return out
}

func hazardOf(what string, any []rules.ChannelID, p *pad.Pad, envelopes []*rules.Envelope) Hazard {
	h := Hazard{Hazard: what, RestsOn: nobody, Rules: []string{}}
	best := rules.NotFed
	for _, e := range envelopes {
		for i := range e.Rules {
			r := &e.Rules[i]
			origin := p.Fed(r.Watch)
			if !slices.Contains(any, r.Watch) || origin == rules.NotFed || slices.Contains(h.Rules, r.Name) {
				continue
			}
			h.Rules = append(h.Rules, r.Name)
			if best == rules.NotFed || origin != rules.CraftSays {
				best = origin
			}
		}
	}
	if best != rules.NotFed {
		h.RestsOn = best.String()
	}
	return h
}

// SayHazards groups hazards for people: those that rest only on the craft's own
// word, and those that nothing shows.
func SayHazards(all []Hazard) (craftOnly, unseen []string) {
	for _, h := range all {
		switch h.RestsOn {
		case rules.CraftSays.String():
			craftOnly = append(craftOnly, fmt.Sprintf("%s: %s", h.Hazard, strings.Join(h.Rules, ", ")))
		case nobody:
			unseen = append(unseen, h.Hazard)
		}
	}
	return craftOnly, unseen
}
