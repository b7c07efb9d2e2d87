package lift

import (
	"math"
	"testing"
)

// Whatever is asked: it is refused, or every number of it is finite and within
// its bounds, and the same text asks the same.
func FuzzParseWhatIf(f *testing.F) {
	for _, text := range []string{"motors=10, mass=-15lb", "cells=14,packs=2", "thrust=+5%", "thrust=+4lbf", "resistance=-20%", "air=30 °C", "air=86°F", "",
		" , ,", "motors", "motors=", "motors=2", "motors=10,motors=10", "mass=1e308 kg", "mass=1e-400kg", "air=nan", "thrust=-90%", "AIR = -60 °C", "mass=NaN kg", "cells=0x0E"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		w, err := ParseWhatIf(text)
		if err != nil {
			if w != (WhatIf{}) {
				t.Errorf("%q: refused, and %+v is left", text, w)
			}
			return
		}
		for _, v := range []float64{w.Mass, w.Thrust, w.ThrustN, w.Resistance, w.Celsius} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%q: %+v", text, w)
			}
		}
		if w.Motors < 0 || w.Motors > 32 || w.Cells < 0 || w.Cells > 200 || w.Packs < 0 || w.Packs > 32 || w.Thrust < -0.9 || w.Thrust > 5 ||
			w.Resistance < -0.9 || w.Resistance > 5 || math.Abs(w.Celsius) > 60 {
			t.Errorf("%q: out of bounds: %+v", text, w)
		}
		if again, err := ParseWhatIf(w.Text); err != nil || again != w {
			t.Errorf("%q: asked again it is %+v, %v, not %+v", text, again, err, w)
		}
	})
}
