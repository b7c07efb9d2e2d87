package sense

import (
	_ "embed"
	"fmt"
	"strings"

	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// Source is one file as read.
type Source struct {
	Name string
	Text []byte
}

// Files are those of the three that are at hand; nil is not given, or has faults of
// its own. Sources without text are not looked at.
type Files struct {
	Pad                          *pad.Pad
	Envelope                     *rules.Envelope
	Card                         *card.Card
	PadFile, LimitFile, CardFile Source
}

// Refused gives what cannot be meant.
func (f *Files) Refused() (out document.Faults) {
	out = append(Ranges("pad", f.PadFile, false), Ranges("envelope", f.LimitFile, false)...)
	out = append(out, Ranges("card", f.CardFile, false)...)
	for _, r := range Rows {
		r.look(f, func(x document.Fault) { out = append(out, x) })
	}
	return out
}

// Fault is one at the first of the keys that stands in the file, with its value. Keys
// are paths such as height.mass or rule[].above; line is that of the row in a repeated
// section.
func (s Source) Fault(line int, wrong, mend string, keys ...string) (x document.Fault) {
	root := document.Parse(s.Name, s.Text).Root()
	for _, key := range keys {
		walk(root, strings.Split(key, "."), func(t *document.Table, key string) {
			if x.Line == 0 && t.Has(key) && (line == 0 || t.Line() == line) {
				x = document.Fault{Line: t.LineOf(key), Key: t.Path(key), Got: t.Got(key)}
			}
		})
	}
	x.File, x.Line, x.Wrong, x.Mend = s.Name, max(x.Line, line), wrong, mend
	return x
}

// limits are the keys that hold the limit of a rule or a permissive.
var limits = strings.Fields("rule[].above rule[].below rule[].outside rule[].is rule[].is_not rule[].rising_faster rule[].falling_faster " +
	"permissive[].above permissive[].below permissive[].outside permissive[].is permissive[].is_not")

// Limit is a fault at the limit of the rule or permissive in that line.
func (s Source) Limit(line int, wrong, mend string) document.Fault {
	return s.Fault(line, wrong, mend, limits...)
}

// walk calls at for each place of a path, in every row of a repeated section.
func walk(t *document.Table, path []string, at func(t *document.Table, key string)) {
	name, isRow := strings.CutSuffix(path[0], "[]")
	switch {
	case len(path) == 1:
		at(t, name)
	case isRow:
		for _, row := range t.Rows(name) {
			walk(row, path[1:], at)
		}
	default:
		walk(t.Table(name), path[1:], at)
	}
}

//go:embed ranges.txt
var ranges string

// Table splits the text of a table into its rows' cells.
func Table(text string) (rows [][]string) {
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			rows = append(rows, strings.Split(strings.TrimSpace(line), "|"))
		}
	}
	return rows
}

// AllRanges is the table of what numbers can be: file, key, refused below, warned
// below, warned above, refused above, and what the number is.
func AllRanges() [][]string { return Table(ranges) }

// Ranges holds every number of a file against the bounds past which it is refused, or
// with warned against the nearer ones past which it is warned of and not refused. What
// is no number of the right kind is for the file's reader.
func Ranges(kind string, from Source, warned bool) (out document.Faults) {
	root := document.Parse(from.Name, from.Text).Root()
	for _, r := range AllRanges() {
		if r[0] != kind {
			continue
		}
		walk(root, strings.Split(r[1], "."), func(t *document.Table, key string) {
			v, unit, of, ok := Number(t.Value(key))
			past := func(bound string, way float64) bool {
				b, _, want, has := Number(bound)
				return ok && has && of == want && way*v > way*b
			}
			low, high, wrong, mend := r[2], r[5], "cannot be meant, it is too ", "write"
			if warned && !past(low, -1) && !past(high, 1) {
				low, high, wrong, mend = r[3], r[4], "is unusually ", "usual here is"
			} else if warned {
				return
			}
			x := document.Fault{File: from.Name, Line: t.LineOf(key), Key: t.Path(key), Got: t.Got(key), Wrong: wrong + "low"}
			bound, way := low, "or more"
			if past(high, 1) {
				x.Wrong, bound, way = wrong+"high", high, "or less"
			} else if !past(low, -1) {
				return
			}
			b, _, _, _ := Number(bound)
			x.Mend = fmt.Sprintf("%s %s %s: %s", mend, rules.Format(b, unit), way, r[6])
			out = append(out, x)
		})
	}
	return out
}

// Number reads a quantity of whatever kind, or a plain number.
func Number(v any) (si float64, unit string, kind rules.Kind, ok bool) {
	if n, bare := document.Bare(v); bare {
		return n, "", rules.Number, true
	}
	text, _ := v.(string)
	if kind, ok = rules.KindOf(text); !ok {
		kind = rules.Number
	}
	q, err := rules.ParseQuantity(text, kind)
	return q.SI, q.Unit, kind, err == nil
}
