package derived

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"downhaul/interlock/limits"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// standRow is one step of a thrust stand's table.
type standRow struct{ output, thrust, volts, amps float64 }

// standTable reads one of the measured tables beside the project: ESC µs, thrust, V and
// A in columns 1, 5, 6 and 7.
func standTable(t *testing.T, file string) (rows []standRow) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.FieldsPerRecord = -1
	all, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, fields := range all[1:] {
		var v [8]float64
		for k := range v {
			v[k], _ = strconv.ParseFloat(fields[k], 64)
		}
		rows = append(rows, standRow{(v[1] - 1000) / 1000, v[5], v[6], v[7]})
	}
	return rows
}

// Each of the measured tables as a craft of its own, whose last step is its full output
// on record: at every lower step what is told is no more than what was measured, at 7.4 V
// and at 11.1 V, where some supplies give way so far that full output has less thrust.
func TestLiftReserveIsLowOnMeasuredTables(t *testing.T) {
	files := architecture.Data(t, "thrust-stand/*.csv")
	for _, volts := range []string{"7", "11"} {
		steps, high, far := 0, 0, 0
		for _, file := range files {
			if match, _ := filepath.Match("*_"+volts+".csv", filepath.Base(file)); !match {
				continue
			}
			rows := standTable(t, file)
			full := rows[len(rows)-1]
			l := FullOutput{Pull: full.thrust, Resting: rows[0].volts, Volts: full.volts, Amps: full.amps}
			for _, r := range rows[:len(rows)-1] {
				told, measured := l.reserve(r.output, r.volts, r.amps), full.thrust/r.thrust-1
				steps++
				if told > measured {
					high++
					t.Logf("%s at %.2f: told %.3f, measured %.3f", filepath.Base(file), r.output, told, measured)
				}
				if r.output > 0.45 && told < 0.3*measured-0.12 {
					far++
				}
			}
		}
		if steps < 70 || high*20 > steps || far*20 > steps {
			t.Errorf("%s V: of %d steps %d are told too high, and %d less than a third", volts, steps, high, far)
		}
	}
}

// Without a measurement there is no reserve; with it, at a voltage as then, 1/u − 1 less
// the margin; an emptier pack leaves less, a fuller one no more.
func TestLiftReserve(t *testing.T) {
	feed := func(full FullOutput, volts, amps float64) limits.Result {
		cfg := whole()
		cfg.Full = full
		r := newRig(t, cfg, rules.LiftReserve)
		load(r, 0, volts, amps)
		for id := rules.Motor1Output; id <= rules.Motor1Output+5; id++ {
			r.put(0, id, 0.5)
		}
		return r.last[rules.LiftReserve]
	}
	if got := feed(FullOutput{}, 12, 20); got != (limits.Result{Cause: rules.NoFullOutput}) {
		t.Errorf("nothing on record: %+v", got)
	}
	full := FullOutput{Pull: 100, Resting: 12.6, Volts: 10.6, Amps: 50} // 40 mΩ
	want := 1/(1.04*0.5*11.8/10.6) - 1
	if got := feed(full, 11.8, 20); got.Quality != rules.Good || math.Abs(got.Value-want) > 1e-12 {
		t.Errorf("as then: %+v, expected %v", got, want)
	}
	emptier, fuller := feed(full, 11, 20).Value, feed(full, 12.2, 20).Value
	if want := 1/(1.04*0.5*11/(11-30*0.04)) - 1; math.Abs(emptier-want) > 1e-12 || fuller >= 1/(1.04*0.5)-1 {
		t.Errorf("emptier %v, expected %v; fuller %v", emptier, want, fuller)
	}
	l := full
	for _, c := range []struct{ u, volts, amps, want float64 }{
		{0, 12, 0, 10}, {-0.2, 12, 0, 10}, {0.05, 12, 1, 10}, {1, 10.6, 50, 1/1.04 - 1},
		{1.25, 10.6, 50, 1/(1.04*1.5625) - 1}, {0.5, 1, 0, -1},
		{0.1, 1, 50, 1/(1.04*0.1) - 1}, // 1 V is left
	} {
		if got := l.reserve(c.u, c.volts, c.amps); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%+v: %v", c, got)
		}
	}
	// A pack that would have just nothing left at full output has no reserve, whatever
	// the output is now: 2 Ω, 2 V.
	l = FullOutput{Pull: 100, Resting: 12, Volts: 10, Amps: 1}
	for _, u := range []float64{-0.2, 0, 0.5} {
		if got := l.reserve(u, 2, 0); got != -1 {
			t.Errorf("nothing left, output %v: %v, want -1", u, got)
		}
	}
}
