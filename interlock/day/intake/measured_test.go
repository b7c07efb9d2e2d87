package intake

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// Edges stamped by a clock of another speed make periods that the count over
// the loop's own time denies. Stamped rightly they agree, also over a loss and
// with a loop that comes late now and then.
func TestCountsCheckPeriods(t *testing.T) {
	const period = 100 * ms
	drive := func(stamp func(time.Duration) time.Duration, lost bool) (disagree, good int) {
		f := feed(t, Config{Anemometer: cupAnemometerA})
		next := period
		for n := 1; n <= 160; n++ {
			now := time.Duration(n) * 250 * ms
			if n%13 == 0 {
				now += 240 * ms // a turn that was held up
			}
			var edges []WindEdge
			for ; next <= now; next += period {
				if lost && n >= 60 && n < 90 {
					continue
				}
				edges = append(edges, WindEdge{At: stamp(next), Rise: true})
			}
			c := Chunk{At: now, Source: Wind, Bytes: AppendWindEdges(nil, edges)}
			if lost && n == 90 {
				c.Lost = 30
			}
			switch s := f.chunk(c)[0].Sample; {
			case s.Quality == rules.Good:
				good++
			case s.Cause == rules.Disagreement:
				disagree++
			}
		}
		return disagree, good
	}
	right := func(at time.Duration) time.Duration { return at }
	if d, good := drive(right, false); d != 0 || good < 155 {
		t.Errorf("right stamps: %d disagree, %d good of 160", d, good)
	}
	if d, _ := drive(right, true); d != 0 {
		t.Errorf("right stamps with a loss: %d disagree", d)
	}
	// A clock at half speed would read twice the wind. It is found at the
	// latest when the second of two checks, 10 s each, is over.
	if d, _ := drive(func(at time.Duration) time.Duration { return at / 2 }, false); d < 70 {
		t.Errorf("a clock at half speed: only %d of 160 disagree", d)
	}
}

// The force of a real tether, measured at its anchor ten times a second
// (20191008_0004 and _0040 of the flight data of 8 October 2019, CC-BY 4.0,
// ground_tether_force in kgf), sent as counts of a converter, comes back within
// half a count, whichever way the cell is wired.
func TestTensionOfARealTether(t *testing.T) {
	const kgf = 9.80665 // N, exact
	for _, name := range architecture.Data(t, "tension-kite/*.csv") {
		forces := columnOf(t, name, "ground_tether_force")
		// The data's own description: 62 to 624 kgf over all cycles, the
		// largest step in 0.1 s 46 to 84 kgf (whole numbers).
		step := 0.0
		for i := 1; i < len(forces); i++ {
			step = max(step, math.Abs(forces[i]-forces[i-1]))
		}
		if low, high := slices.Min(forces), slices.Max(forces); len(forces) < 100 || low < 61.5 || high > 624.5 || step < 45.5 || step > 84.5 {
			t.Errorf("%s: %d forces from %.1f to %.1f kgf, largest step %.1f: not what its description says", name, len(forces), low, high, step)
		}
		for _, per := range []float64{0.0025, -0.01} {
			cell := LoadCellConfig{Fitted: true, Zero: 84000, NewtonsPerCount: per}
			f := feed(t, Config{LoadCell: cell})
			for i, force := range forces {
				at := time.Duration(i+1) * 100 * ms
				count := int32(math.Round(float64(cell.Zero) + force*kgf/per))
				got := f.chunk(Chunk{At: at, Source: LoadCell, Bytes: AppendCounts(nil, []Count{{At: at, Value: count}})})
				if len(got) != 1 || got[0].Kind != interlock.SampleInput {
					t.Fatalf("%s: count %d gave %+v", name, i, got)
				}
				s := got[0].Sample
				// A millionth of a count for the rounding of the arithmetic.
				if off := math.Abs(s.Value - force*kgf); s.Quality != rules.Good || s.Channel != rules.Tension || off > math.Abs(per)*(0.5+1e-6) {
					t.Fatalf("%s: force %d is %.6f N, came back as %+v, off by %.3g counts", name, i, force*kgf, s, off/math.Abs(per))
				}
			}
		}
	}
}

// columnOf reads one column of a table of numbers, without what is empty.
func columnOf(t *testing.T, name, column string) (out []float64) {
	t.Helper()
	file, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows: %v", name, len(rows), err)
	}
	at := slices.Index(rows[0], column)
	if at < 0 {
		t.Fatalf("%s has no column %s", name, column)
	}
	for _, row := range rows[1:] {
		if row[at] == "" {
			continue
		}
		v, err := strconv.ParseFloat(row[at], 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out = append(out, v)
	}
	return out
}
