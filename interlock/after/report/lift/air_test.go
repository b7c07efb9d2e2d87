package lift

import (
	"math"
	"strings"
	"testing"

	"downhaul/rules/card"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, within)
	}
}

func TestUnknownAirIsTakenAsTheSame(t *testing.T) {
	near(t, "not told", density(card.Air{Celsius: 35, Pressure: 90000}), 1.225, 0)
	near(t, "told", density(card.Air{Celsius: 15, Pressure: 101325, Told: true}), 1.225, 0.0001)
}

// airOf is the standard pressure of an elevation at a temperature.
func airOf(celsius, elevation float64) card.Air {
	return card.Air{Celsius: celsius, Elevation: elevation, Told: true}
}

// What if the air were another is answered where the air of every run is known: hover
// output × voltage goes with 1/√density (T = C·ρ·n²), and full output lifts less. Where
// it is not, the question is refused with what is missing, and no number stands in.
func TestWhatIfOtherAir(t *testing.T) {
	c := newPaper()
	runs := c.day(60, 66, 72, 78)
	w, err := ParseWhatIf("air=45°C")
	if err != nil {
		t.Fatal(err)
	}
	q := Question{Craft: c.craft(), HoverTime: 60, Next: []Step{{Mass: 72}}}
	if err := w.Check(q, runs); err != nil {
		t.Fatal(err)
	}
	plain := Ask(runs, q).Next[0]
	q.WhatIf = w
	f := Ask(runs, q)
	warm := f.Next[0]
	// By the gas law alone, at one pressure: 288.15 K over 318.15 K.
	near(t, "output × voltage", warm.Output.Mid*warm.Voltage.Mid/(plain.Output.Mid*plain.Voltage.Mid), math.Sqrt(318.15/288.15), 0.006)
	if !(warm.Lift.Mid < 0.97*plain.Lift.Mid) {
		t.Errorf("most lift %v at 45 °C, %v at 15 °C", warm.Lift.Mid, plain.Lift.Mid)
	}
	if text := f.Text("metric"); f.Air == nil || !strings.Contains(text, "45 °C and 1013 hPa") || !strings.Contains(strings.Join(strings.Fields(text), " "), "lift errs high") {
		t.Errorf("the air is not said:\n%s", text)
	}
	for i := range runs {
		runs[i].Air = card.Air{}
		if err := w.Check(q, runs); err == nil || !strings.Contains(err.Error(), "is not known") || !strings.Contains(err.Error(), "declare") {
			t.Errorf("with run %d told no air: %v", i, err)
		}
	}
}

// One run of a day whose air nobody told must not pass for sea level among others
// high up: the same craft at 1500 m gives the same forecast, or a wider one.
func TestRunWithoutAirAmongOthers(t *testing.T) {
	c := newPaper()
	var runs []Run
	for i, mass := range []float64{60, 66, 72, 78} {
		runs = append(runs, c.fly(flight{mass: mass, seconds: 60, pull: i == 0, seed: uint64(i + 1), air: airOf(5, 1500)}))
	}
	q := Question{Craft: c.craft(), HoverTime: 60, Next: []Step{{Mass: 80}}}
	told := Ask(runs, q).Next[0]
	runs[3].Air = card.Air{}
	mixed := Ask(runs, q).Next[0]
	near(t, "output", mixed.Output.Mid, told.Output.Mid, 0.01*told.Output.Mid)
	near(t, "most lift", mixed.Lift.Mid, told.Lift.Mid, 0.03*told.Lift.Mid)
	if mixed.Lift.High-mixed.Lift.Low < told.Lift.High-told.Lift.Low {
		t.Errorf("lift %+v with one air unknown, %+v with all known", mixed.Lift, told.Lift)
	}
	// None told, and the next flight's air told: nothing but the stand-in is exchanged.
	for i := range runs {
		runs[i].Air = card.Air{}
	}
	none := Ask(runs, q).Next[0]
	q.Air = airOf(5, 1500)
	next := Ask(runs, q).Next[0]
	near(t, "output where only the next air is told", next.Output.Mid, none.Output.Mid, 0.01*none.Output.Mid)
}

// A mass that is taken off, and more than what flew, is no question: it was answered with
// a craft of less than nothing.
func TestWhatIfThatLeavesNothing(t *testing.T) {
	for text, want := range map[string]string{"mass=-500kg": "nothing would be left", "mass=-72kg": "nothing would be left", "mass=-71kg": "", "mass=+500kg": ""} {
		w, err := ParseWhatIf(text)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Check(Question{}, []Run{{Mass: 72}, {}}); (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
