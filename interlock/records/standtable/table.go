package standtable

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"downhaul/interlock/model/air"
	"downhaul/interlock/records/plain"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// File is a table's kind of file with its largest size.
var File = plain.Kind{What: "a thrust table", Most: 1 << 20}

// Table is what one motor with its propeller gave. Values are SI.
type Table struct {
	// Name is the file, for faults.
	Name string
	// Motor, Propeller, Source, Date and By are for the reader; empty is not stated.
	Motor, Propeller, Source, Date, By string
	Diameter                           float64 // m from tip to tip; 0 is not stated
	Blades                             int     // 0 is not stated
	Air                                card.Air
	// Doubt is how far all thrusts together may be off, as a share of them (95 %): the
	// lever's and the scale's error, or what is believed of somebody else's table.
	Doubt float64
	// MaxSpeed is the maker's highest speed of the propeller, rev/s; 0 is not stated.
	MaxSpeed float64
	// Unit is in which the file has its thrusts, for people.
	Unit string
	Rows []Row
	Hash [sha256.Size]byte // of the file's bytes
}

// Cell is one measured value. Told false is not measured.
type Cell struct {
	Value float64
	// Spread is the standard deviation of the readings behind Value; HasSpread reports
	// whether the table tells it.
	Spread    float64
	Told      bool
	HasSpread bool
}

// share is the spread as a share of the value, 0 where it is not told.
func (c Cell) share() float64 {
	if !c.HasSpread || c.Value == 0 {
		return 0
	}
	return c.Spread / c.Value
}

// Row is one step of the stand. Thrust, Voltage and Power are always told.
type Row struct {
	Line int
	// Output is a share of full output, Speed in rev/s, Thrust in N, Voltage in V,
	// Current in A, Power in W (electrical; reckoned as volts times amperes where the table
	// has none), Celsius in °C at the motor.
	Output, Speed, Thrust, Voltage, Current, Power, Celsius Cell
	// Count is how many readings are behind the row; 0 is not stated.
	Count int
	// Ends is how far the thrust moved from the first to the last third of the hold, N:
	// more than its spread is not yet steady.
	Ends Cell
}

// column is one quantity that a table may hold.
type column struct {
	name string
	kind rules.Kind
	of   func(*Row) *Cell
	low  float64 // least value
	most float64 // greatest value, SI: what no stand of a multirotor's motor reads
}

var columns = []column{
	{"output", rules.Ratio, func(r *Row) *Cell { return &r.Output }, 0, 1},
	{"speed", rules.Frequency, func(r *Row) *Cell { return &r.Speed }, 1e-9, 2000},
	{"thrust", rules.Force, func(r *Row) *Cell { return &r.Thrust }, 0, 1e5},
	{"voltage", rules.Voltage, func(r *Row) *Cell { return &r.Voltage }, 1e-9, 1500},
	{"current", rules.Current, func(r *Row) *Cell { return &r.Current }, 0, 2000},
	{"power", rules.Power, func(r *Row) *Cell { return &r.Power }, 0, 1e6},
	{"temperature", rules.Temperature, func(r *Row) *Cell { return &r.Celsius }, -60, 400},
	{"drift", rules.Force, func(r *Row) *Cell { return &r.Ends }, -1e5, 1e5},
}

// Columns are the names that a column may have, count and spreads besides.
func Columns() (names []string) {
	for _, c := range columns {
		names = append(names, c.name)
	}
	return append(names, countName)
}

const (
	spreadWord = " spread"
	countName  = "count"
)

// ShowForce is a force in the table's own unit.
func (t *Table) ShowForce(newton float64) string {
	if t.Unit == "gf" {
		v, _ := rules.Convert(newton, "kgf")
		return fmt.Sprintf("%.0f gf", 1000*v)
	}
	return rounding.Show(newton, t.Unit, 4, rounding.Near)
}

// Says is what ran, in one sentence.
func (t *Table) Says() string {
	said := []string{}
	add := func(format, value string) {
		if value != "" {
			said = append(said, fmt.Sprintf(format, value))
		}
	}
	add("motor %s", t.Motor)
	add("propeller %s", t.Propeller)
	if t.Diameter > 0 {
		add("%s across", rules.Format(t.Diameter, "mm"))
	}
	if t.Air.Told {
		add("air %s", air.Says(t.Air, "metric"))
	} else {
		add("air %s", "not told")
	}
	add("all thrusts may be off by %s together", rules.Format(t.Doubt, "%"))
	add("source: %s", t.Source)
	add("%s", t.Date)
	add("by %s", t.By)
	return strings.Join(said, ", ")
}
