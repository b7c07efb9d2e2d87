package standtable

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

const good = `# a friend's table
# motor = a large one
# propeller = 28 x 9.2
# diameter = 28 in
# blades = 2
# air = 68 °F, 1000 ft
# doubt = 5 %
# max speed = 4000 rpm
# date = 2026-05-16
# what the scale stood on = a bench
output (%),speed (rpm),thrust (kgf),thrust spread (gf),voltage (V),current (A),power (W),temperature (°F),temperature spread (°F),count
25,1200,1.02,12,50.2,2.1,,86,1.8,40

50,2150,3.3,25,49.9,10.2,509,,,40
75,,6.1,30,49.2,25,,,,
`

func TestReadsATable(t *testing.T) {
	tab := must(t, good)
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("diameter", tab.Diameter, 0.7112)
	near("air", tab.Air.Celsius, 20)
	near("elevation", tab.Air.Elevation, 304.8)
	near("doubt", tab.Doubt, 0.05)
	near("max speed", tab.MaxSpeed, 4000.0/60)
	if len(tab.Rows) != 3 || tab.Rows[0].Line != 12 || tab.Rows[1].Line != 14 || tab.Rows[0].Count != 40 {
		t.Fatalf("%+v", tab.Rows)
	}
	r := tab.Rows[0]
	near("speed", r.Speed.Value, 20)
	near("thrust", r.Thrust.Value, 1.02*9.80665)
	near("its spread", r.Thrust.Spread, 0.012*9.80665)
	near("power by volts and amperes", r.Power.Value, 50.2*2.1)
	near("temperature", r.Celsius.Value, 30)
	near("its spread, a difference", r.Celsius.Spread, 1)
	if tab.Rows[2].Speed.Told || tab.Rows[2].Celsius.Told || tab.Rows[2].Thrust.Told != true {
		t.Errorf("an empty cell is not told: %+v", tab.Rows[2])
	}
}

func TestWrittenTablesReadAgain(t *testing.T) {
	for name, text := range measured(t) {
		a := must(t, text)
		b := must(t, string(a.Text()))
		if d := cmp.Diff(a, b, cmpopts.IgnoreFields(Table{}, "Hash", "Unit"), cmpopts.IgnoreFields(Row{}, "Line"), cmpopts.EquateApprox(1e-12, 0)); d != "" {
			t.Fatalf("%s: %s", name, d)
		}
	}
	a := must(t, good)
	b := must(t, string(a.Text()))
	if d := cmp.Diff(a, b, cmpopts.IgnoreFields(Table{}, "Hash", "Unit"), cmpopts.IgnoreFields(Row{}, "Line"), cmpopts.EquateApprox(1e-9, 0)); d != "" {
		t.Fatal(d)
	}
}

func TestRefusedTables(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"# doubt = 5 %\n", "", `t.csv: doubt: missing: nobody could tell how far these thrusts may be off; write it in the head`},
		{"5 %", "5", `t.csv:7: doubt: has no unit (got "5")`},
		{"5 %", "80 %", `t.csv:7: doubt: must be from 0 % to 50 % of the thrust (got "80 %")`},
		{"28 in", "28 lb", `t.csv:4: diameter: lb is a unit of mass`},
		{"28 in", "28 ft", `t.csv:4: diameter: must be from 2 cm to 6 m, from tip to tip (got "28 ft")`},
		{"# motor", "# moter", `t.csv:2: moter: is no key of a table's head (got "moter"); did you mean`},
		{"# blades = 2", "# diameter = 2 in", `t.csv:5: diameter: stands there twice (got "2 in"); keep one; the other is on line 4`},
		{"# blades = 2", "# blades = two", `t.csv:5: blades: must be a whole number`},
		{"2026-05-16", "16.5.26", `t.csv:9: date: is no date (got "16.5.26")`},
		{"thrust (kgf)", "thrust (g)", `t.csv:11: thrust (g): g is a unit of mass, and this takes force (got "thrust (g)"); write thrust (gf)`},
		{"thrust (kgf)", "thrust (kg)", `t.csv:11: thrust (kg): kg is a unit of mass, and this takes force`},
		{"thrust (kgf)", "thrust", `t.csv:11: thrust: the column has no unit (got "thrust"); write it behind the name: thrust (gf)`},
		{"thrust (kgf)", "trust (kgf)", `t.csv:11: trust (kgf): no such column (got "trust"); did you mean`},
		{"voltage (V)", "speed (rpm)", `t.csv:11: speed (rpm): two columns are the same`},
		{",voltage (V)", ",temperature (V)", `t.csv:11: voltage: there is no voltage: the same output gives less on a pack that sags`},
		{"50.2,2.1", "50,2,2.1", `t.csv:12: has 11 cells, and there are 10 columns`},
		{"50.2,2.1", "50.2,two", `t.csv:12: current (A): is no number (got "two")`},
		{"50.2,2.1", "0,2.1", `t.csv:12: voltage (V): no stand reads that (got "0")`},
		{"1.02,12", "-1.02,12", `t.csv:12: thrust (kgf): no stand reads that (got "-1.02"); take the tare`},
		{"25,1200", "25,0", `t.csv:12: speed (rpm): no stand reads that (got "0"); look at number and unit; leave the cell empty`},
		{"25,1200", "125,1200", `t.csv:12: output (%): no stand reads that (got "125")`},
		{"86,1.8,40", "86,1.8,0", `t.csv:12: count: must be a whole number above 0`},
		{"6.1,30,49.2,25", "6.1,30,49.2,", `t.csv:15: a row without current or power; fill the cell, or take the row out`},
		{"75,,6.1", "75,,", `t.csv:15:`},
		{"\n75,,6.1,30,49.2,25,,,,", "", `t.csv: fewer than 3 rows`},
		{"75,,6.1", "75,\"x,6.1", `t.csv:15: is no CSV`},
		{"output (%),speed (rpm),thrust (kgf),thrust spread (gf),voltage (V)", "output (%);speed (rpm);thrust (kgf)", `t.csv:11:`},
	} {
		text := strings.Replace(good, c.from, c.to, 1)
		if text == good {
			t.Fatalf("%q does not stand there", c.from)
		}
		tab, faults := Read("t.csv", []byte(text))
		if tab != nil || !strings.Contains(faults.Error(), c.want) {
			t.Errorf("%q for %q: got\n%v\nwant %s", c.to, c.from, faults, c.want)
		}
	}
	for _, text := range []string{"", "# doubt = 5 %\n", "# doubt = 5 %\noutput (%);thrust (gf)\n1;2\n", "\x00\xff", "thrust (gf)\n1\n"} {
		if tab, faults := Read("t.csv", []byte(text)); tab != nil || len(faults) == 0 {
			t.Errorf("%q is taken", text)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(good)
	f.Add("\ufeff# doubt = 0 %\noutput (%),thrust (gf),voltage (V),power (W)\n0,0,1,0\n1,1,1,0\n2,2,1,1\n")
	f.Add("# doubt = 5 %\r\noutput (%);thrust (gf)\r\n\"")
	f.Fuzz(func(t *testing.T, text string) {
		tab, faults := Read("t.csv", []byte(text))
		if (tab == nil) == (len(faults) == 0) {
			t.Fatalf("a table %v and %d faults", tab != nil, len(faults))
		}
		if tab == nil {
			return
		}
		for _, r := range Judge(tab).Rows {
			if math.IsNaN(r.Merit) || math.IsInf(r.Merit, 0) || math.IsNaN(r.Coefficient) || math.IsInf(r.Coefficient, 0) {
				t.Fatalf("%+v", r)
			}
		}
		if again, faults := Read("t.csv", tab.Text()); again == nil {
			t.Fatalf("what was written is refused: %v\n%s", faults, tab.Text())
		}
	})
}
