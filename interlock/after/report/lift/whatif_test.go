package lift

import (
	"strings"
	"testing"
)

func TestParseWhatIf(t *testing.T) {
	w, err := ParseWhatIf(" motors=10, mass=-15lb ,cells=14,packs=2, thrust=+4lbf, resistance=-20%, air=86 °F")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mass", w.Mass, -6.80388555, 1e-9) // 15 lb of 0.45359237 kg
	near(t, "thrust", w.ThrustN, 17.792886461, 1e-8)
	near(t, "resistance", w.Resistance, -0.2, 0)
	near(t, "air", w.Celsius, 30, 1e-9)
	if w.Motors != 10 || w.Cells != 14 || w.Packs != 2 || !w.HasCelsius || w.none() {
		t.Errorf("%+v", w)
	}
	if w, err = ParseWhatIf("thrust=-5%"); err != nil || w.Thrust != -0.05 || w.ThrustN != 0 {
		t.Errorf("%+v %v", w, err)
	}
	if w, err = ParseWhatIf(""); err != nil || !w.none() {
		t.Errorf("%+v %v", w, err)
	}
	for text, says := range map[string]string{
		"motors": "name=value", "motors=": "name=value", "motors=two": "whole number", "motors=2": "3 to 32", "wings=2": "not known",
		"mass=5": "no unit", "mass=5N": "unit of force", "cells=0": "1 to 200", "resistance=-95%": "more than -90", "air=90°C": "-60 to 60",
		"mass=1kg,mass=2kg": "twice", "thrust=4V": "voltage",
	} {
		if _, err := ParseWhatIf(text); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: want an error with %q, got %v", text, says, err)
		}
	}
	cells := WhatIf{Cells: 12}
	if cells.Check(Question{}, nil) == nil || cells.Check(Question{Craft: Craft{Cells: 14}}, nil) != nil {
		t.Error("more cells can only be asked where the present number is known")
	}
}

// Each change does to the forecast what it does to the craft on paper.
func TestWhatIfChangesTheCraft(t *testing.T) {
	flown := newPaper()
	runs := flown.day(60, 66, 72, 78)
	for _, x := range []struct {
		text   string
		change func(c *paper, mass *float64)
	}{
		{"", func(*paper, *float64) {}},
		{"motors=10", func(c *paper, _ *float64) { c.motors = 10 }},
		{"cells=16", func(c *paper, _ *float64) { c.source *= 16.0 / 14; c.ohms *= 16.0 / 14; c.fall *= 16.0 / 14 }},
		{"packs=2", func(c *paper, _ *float64) { c.ohms /= 2; c.fall /= 2 }},
		{"mass=-15lb", func(_ *paper, m *float64) { *m -= 6.804 }},
		{"resistance=-20%", func(c *paper, _ *float64) { c.ohms *= 0.8 }},
		{"thrust=+10%", func(c *paper, _ *float64) { c.coefficient *= 1.1 }},
	} {
		t.Run("what if "+x.text, func(t *testing.T) {
			w, err := ParseWhatIf(x.text)
			if err != nil {
				t.Fatal(err)
			}
			c, mass := flown, 85.0
			x.change(&c, &mass)
			f := Ask(runs, Question{Craft: flown.craft(), HoverTime: 60, WhatIf: w, Next: []Step{{Mass: 85}}})
			s := f.Next[0]
			if f.Refused != "" {
				t.Fatal(f.Refused)
			}
			output, amps, volts := c.hover(mass*Gravity, 1.225, c.source)
			near(t, "mass", s.Mass, mass, 0.001)
			near(t, "output", s.Output.Mid, output, 0.01*output)
			near(t, "current", s.Current.Mid, amps, 0.015*amps)
			near(t, "voltage", s.Voltage.Mid, volts, 0.01*volts)
			if s.Shown {
				most := c.most(1.225, c.source-c.fall*amps*60)
				near(t, "most lift", s.Lift.Mid, most, 0.025*most)
			}
		})
	}
}

// A newton more from each motor at full output is a newton more for each motor.
func TestWhatIfMoreThrustPerMotor(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	q := Question{Craft: c.craft(), HoverTime: 1, Next: []Step{{Mass: 85}}}
	plain := Ask(runs, q).Next[0]
	q.WhatIf = WhatIf{Text: "thrust=+5N", ThrustN: 5}
	more := Ask(runs, q).Next[0]
	// The larger thrust draws more current and sags the pack: somewhat less comes.
	if gain := (more.free.Mid - plain.free.Mid) * plain.Weight; gain < 25 || gain > 41 {
		t.Errorf("8 motors with 5 N more each give %.1f N more", gain)
	}
}
