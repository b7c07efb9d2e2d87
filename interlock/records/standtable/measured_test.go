package standtable

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

// otherStand are published tables of larger propellers; origin in the file.
const otherStand = "../../after/report/lift/testdata/otherstand.csv"

// otherDiameter is the diameter of each propeller there, in inches, by its published name.
var otherDiameter = map[string]float64{"t1": 9.4, "t2": 9.4, "t3": 9.4, "t4": 8, "t5": 15, "t6": 15, "t7": 11, "t8": 11, "t9": 11, "t10": 10}

// measured returns tables of static thrust that others measured (data/SOURCES.md beside
// them), 11 steps of one 5-inch propeller on a supply of 7.4 V or 11.1 V, each as text of
// this package's own form, by name.
func measured(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, file := range architecture.Data(t, "thrust-stand/*.csv") {
		var b strings.Builder
		b.WriteString("# doubt = 3 %\n# diameter = 5 in\noutput (%),speed (rpm),thrust (gf),voltage (V),current (A)\n")
		for _, c := range cells(t, file)[1:] {
			us, _ := strconv.ParseFloat(c[1], 64)
			if gf, _ := strconv.ParseFloat(c[5], 64); gf <= 0 {
				c[5] = "0" // the cell's drift at idle
			}
			if c[8] == "0" {
				c[8] = "" // the controller told none
			}
			fmt.Fprintf(&b, "%g,%s,%s,%s,%s\n", (us-1000)/10, c[8], c[5], c[6], c[7])
		}
		out[strings.TrimSuffix(filepath.Base(file), ".csv")] = b.String()
	}
	for _, c := range cells(t, otherStand)[1:] {
		if out[c[0]] == "" {
			out[c[0]] = fmt.Sprintf("# doubt = 3 %%\n# diameter = %g in\noutput (%%),speed (rpm),thrust (gf),voltage (V),current (A)\n", otherDiameter[c[0]])
		}
		u, _ := strconv.ParseFloat(c[1], 64)
		out[c[0]] += fmt.Sprintf("%g,%s,%s,%s,%s\n", 100*u, c[3], c[2], c[4], c[5])
	}
	return out
}

func cells(t *testing.T, file string) [][]string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(text), "\ufeff")))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func must(t *testing.T, text string) *Table {
	t.Helper()
	tab, faults := Read("t.csv", []byte(text))
	if tab == nil {
		t.Fatal(faults)
	}
	return tab
}

// scaled is the table with its thrusts times a factor: a wrong lever or unit.
func scaled(t *Table, by float64) *Table {
	out := *t
	out.Rows = append([]Row(nil), t.Rows...)
	for i := range out.Rows {
		out.Rows[i].Thrust.Value *= by
	}
	return &out
}

// scarce are the names of the shared tables whose supply runs into its limit, as their
// numbers show without any fit: a tenth of the voltage gone, or (a5_7, last row) as many
// amperes as that limit.
func scarce(t *Table) bool {
	top := t.Rows[len(t.Rows)-1]
	return top.Voltage.Value < 0.92*t.Rows[0].Voltage.Value || top.Current.Value > 10.95 && t.Diameter < 0.13
}

// Supplies that give way and fair propellers are told apart in every measured table, and
// nothing is held against a propeller of the shared ones. One row of another stand's does
// not belong to its table (1288 gf at 7913 rpm between 1112 at 6971 and 1625 at 8348).
func TestMeasuredTables(t *testing.T) {
	weak := 0
	for name, text := range measured(t) {
		tab := must(t, text)
		j := Judge(tab)
		if j.Refused() || j.Has(TooPoor) || j.Has(WrongPower) || j.Has(NotSteady) {
			t.Errorf("%s: %+v", name, j.Findings)
		}
		if j.Has(GivesWay) != scarce(tab) || (j.WeakFrom > 0) != j.Has(GivesWay) {
			t.Errorf("%s: gives way: %v at %.2f A, want %v", name, j.Has(GivesWay), j.WeakFrom, scarce(tab))
		}
		if j.Has(GivesWay) {
			weak++
		}
		for _, f := range j.Findings {
			if f.Code == OffLaw && name[0] != 't' {
				t.Errorf("%s: %s", name, f.Text)
			}
		}
		if alone := slices.ContainsFunc(j.Findings, func(f Finding) bool {
			return f.Code == OffLaw && strings.Contains(f.Text, "7913 rpm) in this row alone")
		}); alone != (name == "t7") {
			t.Errorf("%s: %+v", name, j.Findings)
		}
	}
	if weak < 8 {
		t.Errorf("%d supplies give way: the test proves nothing", weak)
	}
}

// A lever taken twice or not at all, and pounds of force taken for kilograms or the other
// way round, on every measured table: too much thrust is refused, too little is told.
func TestWrongLeversAndUnits(t *testing.T) {
	const poundsAsKilograms = 9.80665 / 4.4482216152605 // exact by definition
	for name, text := range measured(t) {
		tab := must(t, text)
		for _, by := range []float64{2, poundsAsKilograms} {
			if j := Judge(scaled(tab, by)); !j.Refused() || !j.Has(BeatsTheory) && !j.Has(TooGood) {
				t.Errorf("%s times %.2f is not refused: %+v", name, by, j.Findings)
			}
			if j := Judge(scaled(tab, 1/by)); j.Refused() || !j.Has(TooPoor) {
				t.Errorf("%s over %.2f is not told: %+v", name, by, j.Findings)
			}
		}
		tab.Diameter = 0
		if j := Judge(scaled(tab, 2)); j.Refused() || !j.Has(Untold) {
			t.Errorf("%s without a diameter: %+v", name, j.Findings)
		}
	}
}

// thrustAt is the thrust of a table at a speed, T/n² drawn straight between its rows.
func thrustAt(t *Table, n float64) float64 {
	for i, b := range t.Rows[1:] {
		if a := t.Rows[i]; a.Speed.Told && a.Speed.Value <= n && n <= b.Speed.Value {
			ca, cb := a.Thrust.Value/(a.Speed.Value*a.Speed.Value), b.Thrust.Value/(b.Speed.Value*b.Speed.Value)
			return (ca + (cb-ca)*(n-a.Speed.Value)/(b.Speed.Value-a.Speed.Value)) * n * n
		}
	}
	return 0
}

// Made faults on measured tables: a propeller that loses thrust above some speed, and a
// supply that holds its current at a limit while the propeller keeps to its law. Each is
// told for what it is.
func TestFaultsMadeOnMeasuredTables(t *testing.T) {
	for name, text := range measured(t) {
		if name[0] == 't' {
			continue // of six rows only two or three have any before them
		}
		tab := must(t, text)
		before := Judge(tab)
		weak := before.Has(GivesWay)
		top := 0.0
		for _, r := range tab.Rows {
			top = max(top, r.Speed.Value)
		}
		for _, loss := range []float64{0.1, 0.2} {
			bad := scaled(tab, 1)
			for i := range bad.Rows {
				if r := &bad.Rows[i]; r.Speed.Value > 0.86*top {
					r.Thrust.Value *= 1 - loss
				}
			}
			if j := Judge(bad); !j.Has(OffLaw) || j.Has(GivesWay) != weak {
				t.Errorf("%s: %.0f %% lost at speed is not told: %+v", name, 100*loss, j.Findings)
			}
		}
		if weak {
			continue
		}
		limit := 0.6 * tab.Rows[len(tab.Rows)-1].Current.Value
		short := scaled(tab, 1)
		for i := range short.Rows {
			r := &short.Rows[i]
			if r.Current.Value <= limit {
				continue
			}
			// Torque goes with the current and with n²; the thrust is that of the table at
			// the lesser speed.
			share := limit / r.Current.Value
			r.Current.Value, r.Voltage.Value = limit, r.Voltage.Value*math.Sqrt(share)
			r.Speed.Value *= math.Sqrt(share)
			r.Thrust.Value = thrustAt(tab, r.Speed.Value)
			r.Power.Value = r.Voltage.Value * limit
		}
		if j := Judge(short); !j.Has(GivesWay) || j.Has(OffLaw) {
			t.Errorf("%s: a limit of %.1f A is not told apart: %+v", name, limit, j.Findings)
		}
	}
}

// The momentum bound itself, on a worked case (reckoned from the
// formula, no published example): 1 kg on four 0.254 m propellers takes 43.58 W in
// standard air at the least.
func TestMomentumBound(t *testing.T) {
	row := func(watts float64) *Table {
		return must(t, fmt.Sprintf("# doubt = 0 %%\n# diameter = 0.254 m\n# air = 15 °C, 1013.25 hPa\noutput (%%),thrust (N),voltage (V),power (W)\n50,1,10,20\n60,1.2,10,20\n70,%.6f,10,%.4f\n", 9.80665/4, watts/4))
	}
	if j := Judge(row(43.59)); j.Has(BeatsTheory) || !j.Has(TooGood) || math.Abs(j.Rows[2].Merit-1) > 1e-3 {
		t.Errorf("a perfect propeller: %+v", j)
	}
	if j := Judge(row(43.56)); !j.Has(BeatsTheory) || !j.Refused() {
		t.Errorf("better than perfect: %+v", j)
	}
}

func TestShakingAndUnsteadyRows(t *testing.T) {
	const head = "# doubt = 3 %\n# diameter = 15 in\noutput (%),speed (rpm),thrust (N),thrust spread (N),drift (N),voltage (V),current (A)\n"
	rows := []string{"20,2000,3,0.05,0,24,2", "40,3000,6.8,0.1,0.05,24,5", "60,4000,12,0.15,0.1,23.9,10", "80,4700,16.6,0.2,0.1,23.8,15", "100,5300,21.1,0.25,0.1,23.7,20"}
	if j := Judge(must(t, head+strings.Join(rows, "\n"))); len(j.Findings) != 0 {
		t.Fatalf("a fair table: %+v", j.Findings)
	}
	for code, bad := range map[Code]string{
		Jumps:     "100,5300,21.1,1.2,0.1,23.7,20",
		NotSteady: "100,5300,21.1,0.25,-2.1,23.7,20",
		OffLaw:    "100,5300,19,0.25,0.1,23.7,20",
		GivesWay:  "100,5200,20.3,0.25,0.1,22.4,19",
		Fast:      "100,17000,217,0.25,0.1,23.7,2000",
	} {
		j := Judge(must(t, head+strings.Join(append(slices.Clone(rows[:4]), bad), "\n")))
		for _, f := range j.Findings {
			if f.Code != code || f.Line != 8 {
				t.Errorf("%s: %+v", code, f)
			}
		}
		if len(j.Findings) != 1 {
			t.Errorf("%s: %+v", code, j.Findings)
		}
	}
	// Up and down again: 60 % gives a tenth less than before at the same voltage.
	j := Judge(must(t, head+strings.Join(append(slices.Clone(rows), "60,4000,10.8,0.15,0.1,23.9,10"), "\n")))
	if !j.Has(NotSteady) {
		t.Errorf("up and down: %+v", j.Findings)
	}
	// And with the voltage that fell meanwhile it is no fault.
	j = Judge(must(t, head+strings.Join(append(slices.Clone(rows), "60,3880,11.3,0.15,0.1,23.2,9.6"), "\n")))
	if j.Has(NotSteady) {
		t.Errorf("a pack that drained: %+v", j.Findings)
	}
}
