package standtable

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// fewestRows and mostRows bound a table: two rows have no law to hold against each other.
const fewestRows, mostRows = 3, 5000

// reader gathers the faults of one table.
type reader struct {
	file   string
	faults document.Faults
	t      *Table
	seen   map[string]int // keys of the head, with their lines
}

func (r *reader) fault(line int, key, wrong, got, mend string) {
	r.faults = append(r.faults, document.Fault{File: r.file, Line: line, Key: key, Wrong: wrong, Got: got, Mend: mend})
}

// refuse puts line and key to an error that may be a fault without a place.
func (r *reader) refuse(line int, key string, err error) {
	var f document.Fault
	if !errors.As(err, &f) {
		f = document.Fault{Wrong: err.Error()}
	}
	f.File, f.Line, f.Key = r.file, line, key
	r.faults = append(r.faults, f)
}

// Read reads a table. Either it is complete and there is no fault, or it is nil and
// every fault is listed by line. The file's name is for the faults only.
func Read(file string, text []byte) (*Table, document.Faults) {
	r := &reader{file: file, t: &Table{Name: file, Hash: sha256.Sum256(text)}, seen: map[string]int{}}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	rest, line := r.head(text)
	r.body(rest, line)
	if len(r.faults) > 0 {
		r.faults.Sort()
		return nil, r.faults
	}
	return r.t, nil
}

// head reads the lines that begin with # and returns what is behind them, with its line.
func (r *reader) head(text []byte) (rest []byte, line int) {
	for line = 1; len(text) > 0; line++ {
		one, after, _ := bytes.Cut(text, []byte("\n"))
		said := strings.TrimSpace(string(one))
		if said != "" && !strings.HasPrefix(said, "#") {
			break
		}
		text = after
		if key, value, ok := strings.Cut(strings.TrimLeft(said, "# \t"), "="); ok {
			r.key(line, strings.TrimSpace(key), strings.TrimSpace(value))
		}
	}
	if r.seen["doubt"] == 0 {
		r.fault(0, "doubt", "missing: nobody could tell how far these thrusts may be off", "",
			`write it in the head, for a lever of your own such as "# doubt = 3 %", for somebody else's table such as "# doubt = 10 %"`)
	}
	return text, line
}

var headKeys = []string{"motor", "propeller", "source", "date", "by", "diameter", "blades", "air", "doubt", "max speed"}

// key reads one line "# key = value". A line whose key is none of ours is a remark, but
// for one that is nearly ours.
func (r *reader) key(line int, key, value string) {
	t := r.t
	quantity := func(kind rules.Kind, low, high float64, want string) (v float64) {
		q, err := rules.ParseQuantity(value, kind)
		switch {
		case err != nil:
			r.refuse(line, key, err)
		case !(q.SI >= low && q.SI <= high):
			r.fault(line, key, "must be "+want, document.Quote(value), "mend it")
		default:
			return q.SI
		}
		return 0
	}
	known := true
	switch key {
	case "motor":
		t.Motor = value
	case "propeller":
		t.Propeller = value
	case "source":
		t.Source = value
	case "by":
		t.By = value
	case "date":
		if _, err := time.Parse(time.DateOnly, value); err != nil {
			r.fault(line, key, "is no date", document.Quote(value), "write year, month and day: # date = 2026-05-16")
		}
		t.Date = value
	case "diameter":
		t.Diameter = quantity(rules.Length, 0.02, 6, "from 2 cm to 6 m, from tip to tip")
	case "blades":
		n, err := strconv.Atoi(value)
		if err != nil || n < 1 || n > 12 {
			r.fault(line, key, "must be a whole number from 1 to 12", document.Quote(value), "write how many blades the propeller has")
		}
		t.Blades = n
	case "air":
		a, err := card.ParseAir(value)
		if err != nil {
			r.refuse(line, key, err)
		}
		t.Air = a
	case "doubt":
		t.Doubt = quantity(rules.Ratio, 0, 0.5, "from 0 % to 50 % of the thrust")
	case "max speed":
		t.MaxSpeed = quantity(rules.Frequency, 1, 2000, "from 60 to 120000 rpm")
	default:
		known = false
		if mend := document.Nearest(key, headKeys); strings.HasPrefix(mend, "did you mean") {
			r.fault(line, key, "is no key of a table's head", document.Quote(key), mend)
		}
	}
	if known && r.seen[key] > 0 {
		r.fault(line, key, "stands there twice", document.Quote(value), fmt.Sprintf("keep one; the other is on line %d", r.seen[key]))
	}
	r.seen[key] = line
}

// place is what one column of the file fills.
type place struct {
	column *column
	spread bool
	count  bool
	unit   string
	scale  float64
	title  string
}

// body reads the columns' head and the rows; line is that of the first.
func (r *reader) body(text []byte, line int) {
	rd := csv.NewReader(bytes.NewReader(text))
	rd.FieldsPerRecord, rd.TrimLeadingSpace, rd.Comment = -1, true, '#'
	titles, err := rd.Read()
	if err != nil {
		if !errors.Is(err, io.EOF) {
			r.noCSV(line, err)
			return
		}
		r.fault(0, "", "holds no table", "", "write a line of columns such as output (%), speed (rpm), thrust (gf), voltage (V), current (A), and a line for each row")
		return
	}
	places, ok := r.places(titles, line)
	if !ok {
		return
	}
	for {
		cells, err := rd.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			r.noCSV(line, err)
			return
		}
		at, _ := rd.FieldPos(0)
		at += line - 1
		if len(r.t.Rows) == mostRows {
			r.fault(at, "", fmt.Sprintf("more than %d rows", mostRows), "", "write one row for each step of output, the mean of its readings, not every reading")
			return
		}
		r.row(at, cells, places)
	}
	if n := len(r.t.Rows); n < fewestRows {
		r.fault(0, "", fmt.Sprintf("fewer than %d rows: there is no law to see in them", fewestRows), strconv.Itoa(n), "measure at more outputs, from low to full")
	}
}

// noCSV refuses a quote that has no end, or stands inside a cell; line is that at which
// the reader began.
func (r *reader) noCSV(line int, err error) {
	wrong := new(csv.ParseError)
	if errors.As(err, &wrong) {
		line, err = line+wrong.Line-1, wrong.Err
	}
	r.fault(line, "", "is no CSV: "+err.Error(), "", "write commas between the cells and a line for each row")
}

// places finds what each column is.
func (r *reader) places(titles []string, line int) (places []place, ok bool) {
	found := map[string]bool{}
	before := len(r.faults)
	if len(titles) == 1 && strings.Contains(titles[0], ";") {
		r.fault(line, "", "the cells are parted by semicolons", document.Quote(titles[0]), "write commas between the cells and points in the numbers")
		return nil, false
	}
	for _, title := range titles {
		title = strings.TrimSpace(title)
		name, unit, _ := strings.Cut(title, "(")
		name, unit = strings.ToLower(strings.TrimSpace(name)), strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(unit), ")"))
		p := place{unit: unit, scale: 1, title: title}
		p.count = name == countName
		name, p.spread = strings.CutSuffix(name, spreadWord)
		for i := range columns {
			if columns[i].name == name {
				p.column = &columns[i]
			}
		}
		key := name
		if p.spread {
			key += spreadWord
		}
		switch {
		case found[key]:
			r.fault(line, title, "two columns are the same", document.Quote(title), "keep one")
		case p.count && !p.spread:
			// A plain number.
		case p.column == nil:
			mend := document.Nearest(name, Columns())
			if mend == "" {
				mend = "take the column out, or name it as one of " + document.List(Columns(), "or")
			}
			r.fault(line, title, "no such column", document.Quote(name), mend)
		default:
			r.unit(&p, line)
		}
		found[key] = true
		places = append(places, p)
	}
	for _, want := range []struct{ has, or, wrong, mend string }{
		{"thrust", "thrust", "there is no thrust", "add a column such as thrust (gf)"},
		{"output", "speed", "there is neither output nor speed", "add a column such as output (%) or speed (rpm)"},
		{"voltage", "voltage", "there is no voltage: the same output gives less on a pack that sags", "add a column such as voltage (V), at the motor's controller while it ran"},
		{"current", "power", "there is neither current nor power", "add a column such as current (A)"},
	} {
		if !found[want.has] && !found[want.or] {
			r.fault(line, want.has, want.wrong, "", want.mend)
		}
	}
	return places, len(r.faults) == before
}

// unit holds a column's unit against its kind. Makers write thrust in grams; the gram
// of force is theirs alone, so that it is read here and nowhere else.
func (r *reader) unit(p *place, line int) {
	if p.unit == "" {
		r.fault(line, p.title, "the column has no unit", document.Quote(p.title), fmt.Sprintf("write it behind the name: %s (%s)", p.column.name, example(p.column.kind)))
		return
	}
	if p.column.name == "thrust" && !p.spread {
		r.t.Unit = p.unit
	}
	if p.column.kind == rules.Force {
		switch p.unit {
		case "gf":
			p.unit, p.scale = "kgf", 1e-3
		case "g":
			r.fault(line, p.title, "g is a unit of mass, and this takes force", document.Quote(p.title), "write thrust (gf) where the table means grams of force")
			return
		}
	}
	if _, err := rules.ParseQuantity("1 "+p.unit, p.column.kind); err != nil {
		r.refuse(line, p.title, err)
	}
}

// example is a unit of the kind as tables write it.
func example(k rules.Kind) string {
	switch k {
	case rules.Force:
		return "gf"
	case rules.Frequency:
		return "rpm"
	case rules.Ratio:
		return "%"
	}
	return rules.DefaultUnit(k, "metric")
}

// row reads one row.
func (r *reader) row(line int, cells []string, places []place) {
	if len(cells) != len(places) {
		r.fault(line, "", fmt.Sprintf("has %d cells, and there are %d columns", len(cells), len(places)), "", "write a cell for each column; leave one empty where nothing was measured, and write decimals behind a point")
		return
	}
	row := Row{Line: line}
	before := len(r.faults)
	for i, p := range places {
		text := strings.TrimSpace(cells[i])
		if text == "" {
			continue
		}
		if p.count {
			n, err := strconv.Atoi(text)
			if err != nil || n < 1 {
				r.fault(line, p.title, "must be a whole number above 0", document.Quote(text), "write how many readings are behind the row, or leave it empty")
			}
			row.Count = n
			continue
		}
		v, ok := r.number(line, text, &p)
		if !ok {
			continue
		}
		cell := p.column.of(&row)
		if p.spread {
			cell.Spread, cell.HasSpread = v, true
		} else {
			cell.Value, cell.Told = v, true
		}
	}
	if len(r.faults) > before {
		return
	}
	r.whole(line, &row)
}

// number is a cell in SI.
func (r *reader) number(line int, text string, p *place) (float64, bool) {
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(n) || math.IsInf(n, 0) {
		r.fault(line, p.title, "is no number", document.Quote(text), "write digits with decimals behind a point, or leave the cell empty; the unit stands in the head")
		return 0, false
	}
	parse := rules.ParseQuantity
	if p.spread {
		parse = rules.ParseDifference // a spread of 1 °F is no temperature
	}
	q, err := parse(text+" "+p.unit, p.column.kind)
	if err != nil { // such as 1e999
		r.refuse(line, p.title, err)
		return 0, false
	}
	v, low := q.SI*p.scale, p.column.low
	if p.spread {
		low = 0
	}
	if v >= low && v <= p.column.most {
		return v, true
	}
	mend := "look at number and unit; leave the cell empty where nothing was measured"
	if p.column.kind == rules.Force && v < 0 {
		mend = "take the tare with the propeller on and still, or turn the sign: thrust counts where the motor pulls"
	}
	r.fault(line, p.title, "no stand reads that", document.Quote(text), mend)
	return 0, false
}

// whole keeps a row that has what a row must have.
func (r *reader) whole(line int, row *Row) {
	if !row.Power.Told && row.Voltage.Told && row.Current.Told {
		row.Power = Cell{Value: row.Voltage.Value * row.Current.Value, Told: true}
	}
	var lacks []string
	for _, need := range []struct {
		told bool
		name string
	}{{row.Thrust.Told, "thrust"}, {row.Voltage.Told, "voltage"}, {row.Power.Told, "current or power"}, {row.Output.Told || row.Speed.Told, "output or speed"}} {
		if !need.told {
			lacks = append(lacks, need.name)
		}
	}
	if len(lacks) > 0 {
		r.fault(line, "", "a row without "+document.List(lacks, "and"), "", "fill the cell, or take the row out")
		return
	}
	if !row.Current.Told {
		row.Current = Cell{Value: row.Power.Value / row.Voltage.Value, Told: true}
	}
	r.t.Rows = append(r.t.Rows, *row)
}
