package told

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/limits"
	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
)

// A steady hover that takes more or less than the report foresaw is told while it flies: 30 to
// 33 V of output times voltage are 60 to 66 % at 50 V.
func TestHoverOtherwiseThanForeseen(t *testing.T) {
	set := &Setup{Card: &card.Card{Craft: card.Craft{Radius: 0.5}}}
	for name, c := range map[string]struct {
		output, volts, climb, height float64
		old                          time.Duration
		airborne                     bool
		want                         string
	}{
		"as foreseen":         {0.63, 50, 0, 2, 0, true, ""},
		"as packs differ":     {0.67, 50, 0, 2, 0, true, ""},
		"too much":            {0.71, 50, 0, 2, 0, true, "is at 71 %, and the report foresaw 60 % to 66 % at this voltage. Land."},
		"too little by volts": {0.63, 40, 0, 2, 0, true, "is at 63 %, and the report foresaw 75 % to 82.5 %"},
		"too little":          {0.5, 50, 0.1, 2, 0, true, "is at 50 %"},
		"it climbs":           {0.71, 50, 0.5, 2, 0, true, ""},
		"near the ground":     {0.5, 50, 0, 0.6, 0, true, ""},
		"not heard":           {0.71, 50, 0, 2, time.Minute, true, ""},
		"on the ground":       {0.71, 50, 0, 2, 0, false, ""},
	} {
		s := &answers.Seen{View: interlock.View{At: 2 * time.Minute, Airborne: c.airborne}, Readings: make([]limits.Reading, len(answers.Shown))}
		s.Declared.Foreseen = &card.Reserve{HoverLow: 30, HoverHigh: 33}
		for id, v := range map[rules.ChannelID]float64{rules.MotorHighest: c.output, rules.Pack1Voltage: c.volts, rules.Climb: c.climb, rules.Height: c.height} {
			s.Readings[slices.Index(answers.Shown[:], id)] = limits.Reading{At: s.View.At - c.old, Value: v, Quality: rules.Good}
		}
		if got := set.hover(s); c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
		s.Declared.Foreseen = &card.Reserve{}
		if got := set.hover(s); got != "" {
			t.Errorf("%s, nothing foreseen: %q", name, got)
		}
	}
}

// What trips reads otherwise than its limit, on the page and on the terminal, and what does
// not allow a start otherwise than what it asks.
func TestValueReadsOtherwiseThanItsLimit(t *testing.T) {
	set := &Setup{Pad: &pad.Pad{}, Envelope: &rules.Envelope{
		Rules:       []rules.Rule{{Name: "r", Watch: rules.Tension, Form: rules.Above, Limit: 4500, Unit: "kN"}},
		Permissives: []rules.Permissive{{Watch: rules.Pack1Voltage, Form: rules.Above, Limit: 54.6, Unit: "V"}}}}
	s := &answers.Seen{View: interlock.View{Rules: []interlock.RuleView{{Fed: true, HasValue: true, Value: 4500.3}},
		Permissives: []limits.Reading{{Value: 54.5996, Quality: rules.Good}}, Holds: []bool{false}}}
	if got := set.rule(s, 0); got.ValueText != "4.5003 kN" || got.LimitText != "4.5 kN" {
		t.Errorf("%q beside %q", got.ValueText, got.LimitText)
	}
	if got := set.permissives(&s.View)[0].Now; got != "54.5996 V" {
		t.Errorf("%q", got)
	}
}
