package lift

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"

	"downhaul/rules/card"
)

// Whatever is in the series, there is an answer that can be written down: no
// panic, no number that JSON cannot hold, and no go out of rubbish.
func TestHostileSeriesNeverGetAGo(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1, 1), rapid.Float64Range(0, 100),
		rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1e300, -1e300}))
	series := rapid.Custom(func(t *rapid.T) Series {
		s := Series{V: rapid.SliceOfN(number, 0, 60).Draw(t, "values")}
		at := 0.0
		for range rapid.IntRange(0, 60).Draw(t, "times") {
			at += rapid.Float64Range(0, 2).Draw(t, "step")
			s.T = append(s.T, at)
		}
		return s
	})
	run := rapid.Custom(func(t *rapid.T) Run {
		r := Run{Mass: number.Draw(t, "mass"), Name: "x"}
		for range rapid.IntRange(0, 4).Draw(t, "motors") {
			r.Outputs = append(r.Outputs, series.Draw(t, "output"))
		}
		if rapid.Bool().Draw(t, "speeds") {
			r.Speeds = []Series{series.Draw(t, "speed")}
		}
		for _, s := range []*Series{&r.Voltage, &r.Current, &r.Height, &r.Climb, &r.Tilt, &r.Tension, &r.Slant, &r.Armed, &r.Landed} {
			*s = series.Draw(t, "channel")
		}
		r.Air = card.Air{Celsius: number.Draw(t, "air"), Pressure: number.Draw(t, "pressure"), Told: rapid.Bool().Draw(t, "told")}
		return r
	})
	good := newPaper().day(60, 66, 72, 78)
	rapid.Check(t, func(t *rapid.T) {
		runs := rapid.SliceOfN(run, 0, 3).Draw(t, "runs")
		// Beside good flights too, where there are numbers to be spoilt.
		if rapid.Bool().Draw(t, "beside good ones") {
			runs = append(runs, good...)
		}
		q := Question{
			Craft: Craft{Motors: rapid.IntRange(0, 9).Draw(t, "count"), Width: number.Draw(t, "width"), RotorHeight: number.Draw(t, "rotor height")},
			Floor: number.Draw(t, "floor"), HoverTime: number.Draw(t, "hover"), Reserve: number.Draw(t, "reserve"), Resting: number.Draw(t, "resting"),
			Next: []Step{{Mass: number.Draw(t, "next")}},
		}
		f := Ask(runs, q)
		if _, err := json.Marshal(f); err != nil {
			t.Fatalf("%v\n%+v", err, f)
		}
		_ = f.Text("imperial")
		if len(runs) < len(good) && f.Verdict == Go {
			t.Fatalf("go: %+v", f)
		}
	})
}
