package standtable

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"

	"downhaul/rules"
)

// trimmed writes a number with the digits that tell it again, but for those that only the
// change of units made.
func trimmed(n float64) string {
	short := strconv.FormatFloat(n, 'g', 12, 64)
	if v, err := strconv.ParseFloat(short, 64); err == nil && math.Abs(v-n) <= 4e-16*math.Abs(n)*8 {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(n, 'g', -1, 64)
}

// Text returns the table as a file: SI units but for output (%), speed (rpm) and, with
// the values as they are, as many digits as tell each again. Columns and spreads that no
// row tells are left out.
func (t *Table) Text() []byte {
	var b bytes.Buffer
	t.writeHead(&b)
	out := t.written()
	w := csv.NewWriter(&b)
	line := make([]string, len(out))
	for i := range out {
		line[i] = out[i].title
	}
	_ = w.Write(line) // a buffer takes all
	for k := range t.Rows {
		for i := range out {
			line[i] = out[i].of(&t.Rows[k])
		}
		_ = w.Write(line)
	}
	w.Flush()
	return b.Bytes()
}

// writeHead writes what holds for all rows.
func (t *Table) writeHead(b *bytes.Buffer) {
	b.WriteString("# A table of a thrust stand: one motor with its propeller.\n")
	head := func(key, value string) {
		if value != "" {
			fmt.Fprintf(b, "# %s = %s\n", key, value)
		}
	}
	head("motor", t.Motor)
	head("propeller", t.Propeller)
	if t.Diameter > 0 {
		head("diameter", rules.FormatExact(t.Diameter, "m"))
	}
	if t.Blades > 0 {
		head("blades", strconv.Itoa(t.Blades))
	}
	if t.MaxSpeed > 0 {
		head("max speed", rules.FormatExact(t.MaxSpeed, "rpm"))
	}
	if t.Air.Told {
		where := rules.FormatExact(t.Air.Elevation, "m")
		if t.Air.Pressure > 0 {
			where = rules.FormatExact(t.Air.Pressure, "hPa")
		}
		head("air", rules.FormatExact(t.Air.Celsius, "°C")+", "+where)
	}
	head("doubt", rules.FormatExact(t.Doubt, "%"))
	head("source", t.Source)
	head("date", t.Date)
	head("by", t.By)
}

// written is a column of the file.
type written struct {
	of    func(*Row) string
	title string
}

// written returns the columns that some row tells.
func (t *Table) written() (out []written) {
	for i := range columns {
		c := &columns[i]
		unit := example(c.kind)
		if c.kind == rules.Force {
			unit = "N"
		}
		number := func(v float64, difference bool) string {
			n, _ := rules.Convert(v, unit)
			if difference {
				zero, _ := rules.Convert(0, unit)
				n -= zero
			}
			return trimmed(n)
		}
		told, spread := false, false
		for k := range t.Rows {
			cell := c.of(&t.Rows[k])
			told, spread = told || cell.Told, spread || cell.HasSpread
		}
		if told {
			out = append(out, written{func(r *Row) string {
				if cell := c.of(r); cell.Told {
					return number(cell.Value, false)
				}
				return ""
			}, fmt.Sprintf("%s (%s)", c.name, unit)})
		}
		if spread {
			out = append(out, written{func(r *Row) string {
				if cell := c.of(r); cell.HasSpread {
					return number(cell.Spread, true)
				}
				return ""
			}, fmt.Sprintf("%s%s (%s)", c.name, spreadWord, unit)})
		}
	}
	return append(out, written{func(r *Row) string {
		if r.Count == 0 {
			return ""
		}
		return strconv.Itoa(r.Count)
	}, countName})
}
