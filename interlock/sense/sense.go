package sense

import (
	_ "embed"
	"fmt"
	"slices"
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

// Place is a line of a file, from 1.
type Place struct {
	File string
	Line int
}

// Refused gives what cannot be meant, behind the faults that are known: what rests on a
// number that is told already goes unsaid, since one mend may do for both.
func (f *Files) Refused(known document.Faults) document.Faults {
	out := slices.Clone(known)
	tell := func(x document.Fault, rests ...Place) {
		if !slices.ContainsFunc(out, func(y document.Fault) bool { return slices.Contains(rests, Place{y.File, y.Line}) }) {
			out = append(out, x)
		}
	}
	for _, x := range slices.Concat(Ranges("pad", f.PadFile), Ranges("envelope", f.LimitFile), Ranges("card", f.CardFile)) {
		tell(x, Place{x.File, x.Line})
	}
	for _, r := range Rows {
		r.Look(f, func(x document.Fault) { tell(x, f.On(r.Rests...)...) })
	}
	return out
}

// Places are the lines in which the keys stand: in the row of a repeated section that
// begins in that line, or in each of them where it is 0.
func (s Source) Places(line int, keys ...string) (out []Place) {
	root := document.Parse(s.Name, s.Text).Root()
	for _, key := range keys {
		walk(root, strings.Split(key, "."), func(t *document.Table, key string) {
			if p := (Place{s.Name, t.LineOf(key)}); t.Has(key) && (line == 0 || t.Line() == line) && !slices.Contains(out, p) {
				out = append(out, p)
			}
		})
	}
	return out
}

// On are the places of keys that are named with their file, such as "pad height.mass".
func (f *Files) On(keys ...string) (out []Place) {
	for _, key := range keys {
		file, key, _ := strings.Cut(key, " ")
		out = append(out, map[string]Source{"pad": f.PadFile, "envelope": f.LimitFile, "card": f.CardFile}[file].Places(0, key)...)
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

// Ranges holds every number of a file against the bounds past which it is refused. What
// is no number of the right kind is for the file's reader.
func Ranges(kind string, from Source) document.Faults {
	return Past(kind, from, 2, 5, "cannot be meant, it is too ", "write")
}

// Past gives the numbers past the bounds in two columns of the table, in the words given.
func Past(kind string, from Source, low, high int, wrong, mend string) (out document.Faults) {
	root := document.Parse(from.Name, from.Text).Root()
	for _, r := range AllRanges() {
		if r[0] != kind {
			continue
		}
		walk(root, strings.Split(r[1], "."), func(t *document.Table, key string) {
			v, unit, of, ok := Number(t.Value(key))
			for i, bound := range []string{r[low], r[high]} {
				way := float64(2*i - 1)
				if b, _, want, has := Number(bound); ok && has && of == want && way*v > way*b {
					out = append(out, document.Fault{File: from.Name, Line: t.LineOf(key), Key: t.Path(key), Got: t.Got(key), Wrong: wrong + [...]string{"low", "high"}[i],
						Mend: fmt.Sprintf("%s %s %s: %s", mend, rules.Format(b, unit), [...]string{"or more", "or less"}[i], r[6])})
				}
			}
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
