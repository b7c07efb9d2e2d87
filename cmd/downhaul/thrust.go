package main

import (
	"fmt"
	"io"
	"strings"

	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/standtable"
	"downhaul/rules/document"
)

type thrustCmd struct {
	Run_    thrustRunCmd     `cmd:"" name:"run" help:"Lead through a run on the stand, beside a running guard, and write the table."`
	Session thrustSessionCmd `cmd:"" help:"Make the table of a session in which a motor ran on the stand."`
	Table   thrustTableCmd   `cmd:"" help:"Read tables of thrust and say what their rows show."`
	Sum     thrustSumCmd     `cmd:"" help:"What all motors lift on these packs, by the stand's table, beside the sum on paper."`
}

func (thrustCmd) Help() string {
	return "From the thrust stand to the first ballast step. A table holds what one motor with its propeller gave: a CSV file with units in its head, " +
		"such as \"output (%),speed (rpm),thrust (gf),voltage (V),current (A)\", and above it lines such as \"# diameter = 15 in\" and \"# doubt = 3 %\". " +
		"A motor at full output on a lever is as dangerous as the craft: nobody in the plane of the propeller or downstream, a shield, a hard-wired stop at hand."
}

type thrustTableCmd struct {
	JSON  bool     `help:"Print one JSON object."`
	Files []string `arg:"" name:"table" help:"Tables, as CSV."`
}

func (thrustTableCmd) Help() string {
	return "Shows each row with its figure of merit and the speed of the blade tips, and says what the rows show of themselves: a wrong lever or unit " +
		"(more thrust than momentum theory allows for that power and diameter), a supply that gives way, a propeller whose thrust leaves the square of its speed, " +
		"a thrust that shakes, what was not yet steady. Exit code 1 means that there is something to look at."
}

const thrustSchema = 1

// thrustTables is what was found in tables, as one JSON object.
type thrustTables struct {
	Schema int         `json:"schema"`
	Tables []tableSaid `json:"tables"`
}

// tableSaid is one table with what its rows show, SI.
type tableSaid struct {
	File     string  `json:"file"`
	SHA256   string  `json:"sha256"`
	Says     string  `json:"says"`
	Diameter float64 `json:"diameter_m"`
	Doubt    float64 `json:"doubt_share"`
	Rows     []struct {
		standRow
		standtable.Judged
	} `json:"rows"`
	Supply   float64              `json:"supply_resistance_ohm"`
	WeakFrom float64              `json:"supply_gives_way_a"`
	Refused  bool                 `json:"refused"`
	Findings []standtable.Finding `json:"findings"`
	table    *standtable.Table
}

// standRow is a row for scripts; null was not measured.
type standRow struct {
	Output  *float64 `json:"output"`
	Speed   *float64 `json:"speed_hz"`
	Thrust  *float64 `json:"thrust_n"`
	Voltage *float64 `json:"voltage_v"`
	Current *float64 `json:"current_a"`
	Power   *float64 `json:"power_w"`
	Celsius *float64 `json:"temperature_c"`
	Count   int      `json:"count"`
	// The spreads are standard deviations of the readings behind each value.
	SpeedSpread   *float64 `json:"speed_spread_hz"`
	ThrustSpread  *float64 `json:"thrust_spread_n"`
	VoltageSpread *float64 `json:"voltage_spread_v"`
	CurrentSpread *float64 `json:"current_spread_a"`
	PowerSpread   *float64 `json:"power_spread_w"`
}

func standRowOf(r *standtable.Row) standRow {
	of := func(c standtable.Cell) *float64 {
		if !c.Told {
			return nil
		}
		return &c.Value
	}
	spread := func(c standtable.Cell) *float64 {
		if !c.HasSpread {
			return nil
		}
		return &c.Spread
	}
	return standRow{of(r.Output), of(r.Speed), of(r.Thrust), of(r.Voltage), of(r.Current), of(r.Power), of(r.Celsius), r.Count,
		spread(r.Speed), spread(r.Thrust), spread(r.Voltage), spread(r.Current), spread(r.Power)}
}

// readTable reads a table of a thrust stand.
func readTable(name string) (*standtable.Table, error) {
	text, err := plain.Read(name, standtable.File)
	if err != nil {
		return nil, err
	}
	t, faults := standtable.Read(name, text)
	return t, faults.Err()
}

func (c *thrustTableCmd) Run(s *streams) error {
	out := thrustTables{Schema: thrustSchema, Tables: []tableSaid{}}
	found := false
	for _, name := range c.Files {
		t, err := readTable(name)
		if err != nil {
			return hint(fmt.Errorf("thrust: %w", err), "downhaul thrust --help shows what a table looks like")
		}
		one := tableSays(name, t)
		found = found || len(one.Findings) > 0
		out.Tables = append(out.Tables, one)
	}
	return s.conclude(&out, c.JSON, nil, found)
}

func (o *thrustTables) print(w io.Writer) {
	for i := range o.Tables {
		if i > 0 {
			fmt.Fprintln(w)
		}
		o.Tables[i].print(w)
	}
}

func (o *tableSaid) print(w io.Writer) {
	wrap(w, "Thrust table ", "  ", o.File)
	wrap(w, "  ", "  ", o.Says+".")
	fmt.Fprintf(w, "  SHA-256 %s\n", o.SHA256)
	fmt.Fprintln(w)
	var rows [][]string
	for i := range o.table.Rows {
		r, j := &o.table.Rows[i], &o.Rows[i].Judged
		rows = append(rows, []string{fmt.Sprint(r.Line), cellText(r.Output, 100, "%.0f %%"), cellText(r.Speed, 60, "%.0f"), o.table.ShowForce(r.Thrust.Value),
			fmt.Sprintf("%.2f", r.Voltage.Value), fmt.Sprintf("%.2f", r.Current.Value), fmt.Sprintf("%.4g", r.Power.Value),
			orDash(o.Diameter > 0, "%.2f", j.Merit), orDash(o.Diameter > 0 && r.Speed.Told, "%.0f %%", 100*j.TipShare)})
	}
	table(w, "  ", []string{">line", ">output", ">rpm", ">thrust", ">V", ">A", ">W", ">merit", ">tips"}, []int{5, 6, 7, 11, 6, 6, 7, 6, 5}, rows)
	wrap(w, "  ", "  ", "merit: induced power of momentum theory over the electric power, motor and controller included; tips: share of the speed of sound.")
	if len(o.Findings) == 0 {
		fmt.Fprintln(w, "\nNothing against these rows.")
		return
	}
	fmt.Fprintln(w, "\nWhat the rows show:")
	told := map[standtable.Code]bool{}
	for _, f := range o.Findings {
		if told[f.Code] && f.Line > 0 {
			continue
		}
		told[f.Code] = true
		where := ""
		if f.Line > 0 {
			where = fmt.Sprintf("line %d: ", f.Line)
		}
		if f.Refused {
			where = "REFUSED: " + where
		}
		text := where + f.Text
		if more := o.alike(f); more != "" {
			text += " (likewise " + more + ")"
		}
		if f.Mend != "" {
			text += ". " + strings.ToUpper(f.Mend[:1]) + f.Mend[1:]
		}
		wrap(w, "  - ", "    ", text+".")
	}
}

// alike names the other rows of which the same was found.
func (o *tableSaid) alike(f standtable.Finding) string {
	var lines []string
	for _, other := range o.Findings {
		if other.Code == f.Code && other.Line > f.Line {
			lines = append(lines, fmt.Sprint(other.Line))
		}
	}
	switch len(lines) {
	case 0:
		return ""
	case 1:
		return "line " + lines[0]
	}
	return "lines " + document.List(lines, "and")
}

func cellText(c standtable.Cell, times float64, format string) string {
	return orDash(c.Told, format, times*c.Value)
}

// orDash is a value, or a dash where there is none.
func orDash(told bool, format string, v float64) string {
	if !told {
		return "-"
	}
	return fmt.Sprintf(format, v)
}
