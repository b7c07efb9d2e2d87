package lift

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/records/standtable"
)

// standTable is a measured table as this project reads it, without speeds: output and
// voltage are what a craft has as well.
func standTable(t *testing.T, points []Point, doubt float64) *standtable.Table {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "# doubt = %g %%\n# air = 15 °C, 1013.25 hPa\noutput (%%),thrust (N),voltage (V),current (A)\n", 100*doubt)
	for _, p := range points {
		fmt.Fprintf(&b, "%g,%g,%g,%g\n", 100*p.Output, p.Thrust, p.Voltage, p.Current)
	}
	table, faults := standtable.Read("t.csv", []byte(b.String()))
	if table == nil {
		t.Fatal(faults)
	}
	return table
}

func standOf(t *testing.T, points []Point, doubt float64) *Stand {
	t.Helper()
	s, why := NewStand(standTable(t, points, doubt))
	if why != "" {
		t.Fatal(why)
	}
	return s
}

// The table of a propeller at one voltage tells its thrust at another: that at 11.1 V the
// one at 7.4 V of the same propeller, and the other way round as far as the output goes.
func TestATableTellsThrustAtAnotherVoltage(t *testing.T) {
	names, rows := standRows(t)
	for _, way := range []struct{ from, to string }{{"_7", "_11"}, {"_11", "_7"}} {
		var held, steps, tables int
		var off, width []float64
		for _, name := range names {
			to, ok := strings.CutSuffix(name, way.from)
			if !ok {
				continue
			}
			tables++
			s := standOf(t, forget(rows[name], false), 0)
			rng := newRandom(1)
			var laws []drawnLaw
			for range 600 {
				laws = append(laws, s.draw(rng))
			}
			for _, p := range rows[to+way.to] {
				if p.Output < 0.65 {
					continue
				}
				var v []float64
				for i := range laws {
					v = append(v, largest(0.1, func(x float64) bool { return laws[i].output(x, p.Density, p.Voltage) <= p.Output }))
				}
				e := interval(v)
				steps++
				if p.Thrust >= e.Low && p.Thrust <= e.High {
					held++
				} else {
					t.Logf("    %s to %s at %.0f %%: %.3f N, told %.3f (%.3f to %.3f)", name, way.to, 100*p.Output, p.Thrust, e.Mid, e.Low, e.High)
				}
				off, width = append(off, math.Abs(e.Mid/p.Thrust-1)), append(width, (e.High-e.Low)/2/e.Mid)
			}
		}
		slices.Sort(off)
		slices.Sort(width)
		t.Logf("from %s to %s: %d tables, %d of %d steps held; off by %.1f %% in the median, %.1f %% at most; half width %.1f %% in the median", way.from, way.to, tables, held, steps, 100*off[len(off)/2], 100*off[len(off)-1], 100*width[len(width)/2])
		if tables != 8 || 100*held < 95*steps || width[len(width)/2] > 0.18 {
			t.Errorf("from %s to %s: %d tables, %d of %d held, half width %.1f %%", way.from, way.to, tables, held, steps, 100*width[len(width)/2])
		}
	}
}
