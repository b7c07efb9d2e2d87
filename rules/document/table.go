package document

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Table is one section of a file. A getter gives ok false when the key is
// absent or wrong; when it is wrong, the fault is kept in the document. Each
// getter marks its key as known.
type Table struct {
	doc     *Document
	path    string
	node    *node
	values  map[string]any
	asked   []string
	tables  map[string]*Table
	rows    map[string][]*Table
	present bool
}

func (d *Document) table(path string, n *node, values map[string]any) *Table {
	return &Table{doc: d, path: path, node: n, values: values, present: values != nil, tables: map[string]*Table{}, rows: map[string][]*Table{}}
}

// Present reports whether the section stands in the file.
func (t *Table) Present() bool { return t.present }

// Line is the line of the section's header, 1 for the top of the file.
func (t *Table) Line() int { return max(t.node.line, 1) }

// LineOf is the line of the key, or of the section when the key is absent.
func (t *Table) LineOf(key string) int {
	if k, ok := t.node.kids[key]; ok && k.line > 0 {
		return k.line
	}
	return t.Line()
}

// Path is the full name of the key as it stands in faults.
func (t *Table) Path(key string) string {
	if t.path == "" {
		return written(key)
	}
	return t.path + "." + written(key)
}

var bareKey = regexp.MustCompile(`^[0-9A-Za-z_-]+$`)

// written is the key as it stands in a file.
func written(key string) string {
	if bareKey.MatchString(key) {
		return key
	}
	return strconv.Quote(key)
}

// Keys is every key of the section in the order of the file.
func (t *Table) Keys() []string { return append([]string(nil), t.node.names...) }

// Has reports whether the key is there, and marks it as known.
func (t *Table) Has(key string) bool {
	_, ok := t.raw(key)
	return ok
}

func (t *Table) raw(key string) (any, bool) {
	if !slices.Contains(t.asked, key) {
		t.asked = append(t.asked, key)
	}
	v, ok := t.values[key]
	return v, ok
}

// Value is the value of the key as TOML gives it: string, bool, int64,
// float64, time.Time, []any, or a table. Nil when absent.
func (t *Table) Value(key string) any {
	v, _ := t.raw(key)
	return v
}

// Fault keeps a fault at the key's line.
func (t *Table) Fault(key, wrong, got, mend string) {
	t.doc.Add(Fault{Line: t.LineOf(key), Key: t.Path(key), Wrong: wrong, Got: got, Mend: mend})
}

// FaultIf keeps a fault of the key's value where something is bad about it.
func (t *Table) FaultIf(bad bool, key, wrong, mend string) {
	if bad {
		t.Fault(key, wrong, t.Got(key), mend)
	}
}

// Missing keeps a fault for a key that must be there and is not. It says
// nothing when part of the file could not be read.
func (t *Table) Missing(key, wrong, mend string) {
	if !t.doc.damaged {
		t.doc.Add(Fault{Line: t.Line(), Key: t.Path(key), Wrong: wrong, Mend: mend})
	}
}

// Need keeps a fault if the key is absent; see Missing.
func (t *Table) Need(key, wrong, mend string) {
	if !t.Has(key) {
		t.Missing(key, wrong, mend)
	}
}

// Forbid keeps a fault for each of the keys that is there.
func (t *Table) Forbid(wrong, mend string, keys ...string) {
	for _, key := range keys {
		t.FaultIf(t.Has(key), key, wrong, mend)
	}
}

// Refuse keeps err as a fault at the key's line. If err is a Fault, its parts
// are taken over.
func (t *Table) Refuse(key string, err error) {
	if f, ok := err.(Fault); ok {
		t.Fault(key, f.Wrong, f.Got, f.Mend)
		return
	}
	t.Fault(key, err.Error(), t.Got(key), "")
}

// Got is the value of the key as it stands in faults.
func (t *Table) Got(key string) string { return Show(t.values[key]) }

// Show is a TOML value as it stands in faults.
func Show(v any) string {
	switch v := v.(type) {
	case nil:
		return "nothing"
	case string:
		return Quote(v)
	case bool:
		return strconv.FormatBool(v)
	case int64:
		return "the number " + strconv.FormatInt(v, 10)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return strconv.FormatFloat(v, 'g', -1, 64) + ", which is no number that can be held against anything"
		}
		return "the number " + strconv.FormatFloat(v, 'g', -1, 64)
	case []any:
		return fmt.Sprintf("a list of %d", len(v))
	case map[string]any:
		return "a table"
	case []map[string]any:
		return "a repeated table"
	}
	return "a date or time"
}

// wrongType keeps the fault of a value that has the wrong TOML type.
func (t *Table) wrongType(key, want, mend string) {
	t.Fault(key, "takes "+want, t.Got(key), "write "+mend)
}

// typed is the value of the key if it is of that TOML type.
func typed[T any](t *Table, key, want, mend string) (value T, ok bool) {
	v, there := t.raw(key)
	if value, ok = v.(T); there && !ok {
		t.wrongType(key, want, mend)
	}
	return value, ok
}

// String is text in quotes.
func (t *Table) String(key string) (string, bool) {
	return typed[string](t, key, "text in quotes", written(key)+` = "…"`)
}

// Line of text is refused past these; ours, so that it fits an 80-column page.
const (
	longestName = 60
	longestNote = 500
)

// Name is a short text for people: not empty, at most 60 characters, one line.
func (t *Table) Name(key string) (string, bool) { return t.text(key, longestName) }

// Note is a longer text for people: not empty, at most 500 characters, one
// line.
func (t *Table) Note(key string) (string, bool) { return t.text(key, longestNote) }

func (t *Table) text(key string, longest int) (string, bool) {
	return Parsed(t, key, func(s string) (string, error) { return s, checkText(s, longest) })
}

func checkText(s string, longest int) error {
	switch {
	case strings.TrimSpace(s) == "":
		return Fault{Wrong: "is empty", Got: Quote(s), Mend: "write a few words, or leave the key out"}
	case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == 0x2028 || r == 0x2029 }):
		return Fault{Wrong: "holds a line break or another control character", Got: Quote(s), Mend: "keep it to one line of plain text"}
	case utf8.RuneCountInString(s) > longest:
		return Fault{Wrong: fmt.Sprintf("is longer than %d characters", longest), Got: fmt.Sprintf("%d characters", utf8.RuneCountInString(s)), Mend: "shorten it"}
	}
	return nil
}

// Bool is true or false.
func (t *Table) Bool(key string) (bool, bool) {
	return typed[bool](t, key, "true or false, without quotes", key+" = true")
}

// Int is a whole number from low to high, both included.
func (t *Table) Int(key string, low, high int) (int, bool) {
	n, ok := typed[int64](t, key, "a whole number without quotes", fmt.Sprintf("%s = %d", key, low))
	if !ok {
		return 0, false
	}
	if n < int64(low) || n > int64(high) {
		t.Fault(key, fmt.Sprintf("must be from %d to %d", low, high), strconv.FormatInt(n, 10), "write a number in that range")
		return 0, false
	}
	return int(n), true
}

// Number is a bare number that is finite; −0 comes as 0.
func (t *Table) Number(key string) (float64, bool) {
	v, ok := t.raw(key)
	if !ok {
		return 0, false
	}
	n, ok := Bare(v)
	if !ok {
		t.wrongType(key, "a plain number without quotes and unit", key+" = 10")
	}
	return n, ok
}

// Bare is v as a finite number, if it is one; −0 comes as 0.
func Bare(v any) (float64, bool) {
	switch v := v.(type) {
	case int64:
		return float64(v), true
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, false
		}
		return v + 0, true
	}
	return 0, false
}

// Choice is one of the given words.
func (t *Table) Choice(key string, words ...string) (string, bool) {
	s, ok := t.String(key)
	if !ok {
		return "", false
	}
	if slices.Contains(words, s) {
		return s, true
	}
	quoted := strings.Split(`"`+strings.Join(words, "\"\n\"")+`"`, "\n")
	t.Fault(key, "must be "+List(quoted, "or"), Quote(s), Nearest(s, words))
	return "", false
}

// Strings is a list of texts, each one line and not empty.
func (t *Table) Strings(key string) ([]string, bool) {
	list, ok := typed[[]any](t, key, "a list of texts", key+` = ["…", "…"]`)
	if !ok {
		return nil, false
	}
	out := make([]string, 0, len(list))
	for i, e := range list {
		s, isText := e.(string)
		if !isText {
			t.Fault(key, fmt.Sprintf("entry %d must be text in quotes", i+1), Show(e), "write "+key+` = ["…", "…"]`)
			return nil, false
		}
		if err := checkText(s, longestNote); err != nil {
			t.Refuse(key, err)
			return nil, false
		}
		out = append(out, s)
	}
	return out, true
}

// Parsed is text that parse turns into a T; its error is kept as a fault.
func Parsed[T any](t *Table, key string, parse func(text string) (T, error)) (T, bool) {
	var zero T
	s, ok := t.String(key)
	if !ok {
		return zero, false
	}
	v, err := parse(s)
	if err != nil {
		t.Refuse(key, err)
		return zero, false
	}
	return v, true
}

// Table is the section of that name; when it is absent, an empty one whose
// getters find nothing.
func (t *Table) Table(key string) *Table {
	if s, ok := t.tables[key]; ok {
		return s
	}
	values, _ := typed[map[string]any](t, key, "a section", "["+t.Path(key)+"], one key a line below it")
	n := t.node.kids[key]
	if n == nil {
		n = &node{line: t.Line()}
	}
	s := t.doc.table(t.Path(key), n, values)
	t.tables[key] = s
	return s
}

// Rows is the repeated section [[key]], in the order of the file.
func (t *Table) Rows(key string) []*Table {
	if r, ok := t.rows[key]; ok {
		return r
	}
	list, _ := typed[[]map[string]any](t, key, "a repeated section", "each row under a [["+t.Path(key)+"]] of its own")
	out := make([]*Table, 0, len(list))
	for i, values := range list {
		n := &node{line: t.LineOf(key)}
		if k := t.node.kids[key]; k != nil && i < len(k.rows) {
			n = k.rows[i]
		}
		out = append(out, t.doc.table(fmt.Sprintf("%s[%d]", t.Path(key), i+1), n, values))
	}
	t.rows[key] = out
	return out
}
