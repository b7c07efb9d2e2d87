// Package unseen lists what a set-up cannot see. Every check, page, trip and report
// carries the list; a guard's own decisions hang on none of it.
package unseen

import (
	"slices"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Item is something that a set-up cannot see, and why.
type Item struct {
	// Name is the channel or the line of the pad; empty for neither.
	Name   string `json:"name,omitempty"`
	What   string `json:"what"`
	Reason string `json:"reason"`
}

// String is one line of the list "this set-up cannot see".
func (u Item) String() string {
	text := u.What + ": " + u.Reason
	if u.Name != "" {
		return u.Name + ", " + text
	}
	return text
}

// hazards are what a crew would expect to be watched, with the channels any
// one of which shows it.
var hazards = []struct {
	what string
	any  []rules.ChannelID
}{
	{"the pull on the tether", []rules.ChannelID{rules.Tension}},
	{"the wind", []rules.ChannelID{rules.WindSpeed}},
	{"how high the craft is", []rules.ChannelID{rules.Height}},
	{"how high it would coast after a cut", []rules.ChannelID{rules.Apex}},
	{"how far it tilts", []rules.ChannelID{rules.Tilt}},
	{"how far it swings from the anchor", []rules.ChannelID{rules.Distance}},
	{"the lowest cell of a pack", []rules.ChannelID{rules.Pack1LowestCell}},
	{"whether the rotors turn", []rules.ChannelID{rules.RotorSpeed}},
	{"how near the motors are to full output", []rules.ChannelID{rules.MotorHighest}},
}

// lineShows is what an input line would show.
var lineShows = map[string]string{
	"estop_a":    "whether the emergency stop is pressed",
	"estop_b":    "whether both contacts of the emergency stop agree",
	"gate":       "whether the gate is open",
	"hold":       "whether anybody holds a hold-to-run switch",
	"end":        "whether somebody asks for the end",
	"readback":   "whether the contactor really opened",
	"anemometer": "the wind at the pad",
	"wind_loop":  "whether the anemometer's wire is whole in a calm",
}

// noChannel are hazards that no channel shows, whatever the pad has.
const noChannel = "people inside the keep-out, a blade that comes loose, fire"

// List lists what this set-up cannot see: what the pad lacks, what the
// envelopes do without, hazards that nothing feeds, and those that no channel
// can show. Every check, page, trip and report carries it.
func List(p *pad.Pad, envelopes ...*rules.Envelope) []Item {
	var out []Item
	// The first reason counts: a person's own comes before ours.
	add := func(name, what, reason string) {
		if !slices.ContainsFunc(out, func(u Item) bool { return name != "" && u.Name == name }) {
			out = append(out, Item{name, what, reason})
		}
	}
	if mark := p.Mark(); mark != "" {
		what := "any real relay, wire or rotor"
		if p.Board.Kind == pad.Rehearsal {
			what = "any real craft, rope or wind"
		}
		add("", what, mark)
	}
	for _, a := range p.Absent {
		what := a.Name
		if c, ok := rules.Lookup(a.Name); ok {
			what = c.Says
		} else if says, ok := lineShows[a.Name]; ok {
			what = says
		}
		add(a.Name, what, a.Reason)
	}
	for _, e := range envelopes {
		for _, w := range e.Without {
			add(w.Channel.String(), w.Channel.Channel().Says, w.Reason)
		}
	}
	for _, h := range hazards {
		if !slices.ContainsFunc(h.any, func(id rules.ChannelID) bool { return p.Fed(id) != rules.NotFed }) {
			add(h.any[0].String(), h.what, "nothing feeds it")
		}
	}
	if p.Duty == interlock.Guard && p.Fed(rules.Height) == rules.NotFed {
		reason := "no height and no load cell, so neither of the built-in trips of such a step is there"
		if p.Fed(rules.Tension) != rules.NotFed {
			reason = "no height; the load cell tells where the card states tie_down_pull, and nothing does elsewhere"
		}
		add("", "whether the craft leaves the ground in a step on the ground", reason)
	}
	if p.Wind.Fitted && !p.Board.Line("wind_loop").Fitted {
		add("wind_loop", "whether the anemometer's wire is whole in a calm", "its pulses alone show it; wire it supervised")
	}
	for _, name := range Strangers(p) {
		add("", "who it is that sends on "+name, "no from and no signing key, so anybody on that network can stop the flight")
	}
	add("", noChannel, "no channel at all, so observer and emergency stop")
	return out
}
