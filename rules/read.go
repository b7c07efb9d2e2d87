package rules

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"downhaul/rules/document"
)

// FileVersion is the version that every file must state.
const FileVersion = 1

// ReadEnvelope reads an envelope. Either the envelope is complete and there is
// no fault, or it is nil and every fault is listed by line. The file's name is
// for the faults only.
func ReadEnvelope(file string, text []byte) (*Envelope, Faults) {
	d := document.Parse(file, text)
	root := d.Root()
	e := &Envelope{Version: FileVersion, Hash: sha256.Sum256(text)}
	CheckVersion(root)
	e.Title, _ = root.Note("title")
	e.Changed, _ = root.Note("changed")
	e.ApprovedBy, _ = root.Note("approved_by")
	e.Units = UnitsAt(root)
	readTether(root.Table("tether"), &e.Tether)
	rows := root.Rows("rule")
	if len(rows) == 0 {
		root.Missing("rule", "no [[rule]]: nothing would be limited", "write at least one rule")
	}
	for _, t := range rows {
		readRule(t, e)
	}
	for _, t := range root.Rows("permissive") {
		readPermissive(t, e)
	}
	readWithout(root.Table("without"), e)
	findContradictions(d, e)
	if faults := d.Faults(); len(faults) > 0 {
		return nil, faults
	}
	return e, nil
}

// CheckVersion keeps a fault unless the file states the version that is known
// here.
func CheckVersion(root *document.Table) {
	if !root.Has("version") {
		root.Missing("version", "missing", fmt.Sprintf("write version = %d at the top", FileVersion))
		return
	}
	if v, ok := root.Value("version").(int64); !ok || v != FileVersion {
		root.Fault("version", fmt.Sprintf("must be %d", FileVersion), root.Got("version"), fmt.Sprintf("write version = %d, or use the program that wrote this file", FileVersion))
	}
}

// UnitsAt reads the system of units that a file is shown in: metric where it says
// nothing.
func UnitsAt(root *document.Table) string {
	if u, ok := root.Choice("units", "metric", "imperial"); ok {
		return u
	}
	return "metric"
}

func readTether(t *document.Table, out *Tether) {
	for _, q := range []struct {
		key  string
		kind Kind
		to   *float64
	}{
		{"breaking_strength", Force, &out.BreakingStrength}, {"length", Length, &out.Length}, {"knot", Ratio, &out.Knot}, {"age", Ratio, &out.Age},
		{"shackle", Force, &out.Shackle}, {"anchor", Force, &out.Anchor}, {"attachment", Force, &out.Attachment}, {"load_cell", Force, &out.LoadCell},
	} {
		v, _ := PositiveAt(t, q.key, q.kind)
		if *q.to = v; q.kind == Ratio && v > 1 {
			t.Fault(q.key, "is more than all of the strength", t.Got(q.key), "write the share that is left, such as \"60 %\"")
		}
	}
	if n, ok := t.Number("design_factor"); ok {
		if n < 1 {
			t.Fault("design_factor", "must be 1 or more", t.Got("design_factor"), "rope: 5 to 12 and higher for shock and knots")
		} else {
			out.DesignFactor = n
		}
	}
	out.Tending, _ = t.Note("tending")
	readStretch(t, "stretch", &out.Slow)
	readStretch(t, "fast_stretch", &out.Fast)
}

func readStretch(t *document.Table, key string, out *Stretch) {
	how := "write it as " + key + ` = "12 % at 5 kN"`
	share, force, ok := PairAt(t, key, " at ", Ratio, Force, "does not say at which force", how)
	if ok && (share <= 0 || force <= 0) {
		t.Fault(key, "must be more than 0 % at more than 0 N", t.Got(key), how)
	} else if ok {
		*out = Stretch{share, force}
	}
}

// PairAt is two quantities, in SI, with a word between them; faults stay in the
// document. without is what is wrong where the word is missing.
func PairAt(t *document.Table, key, word string, first, second Kind, without, how string) (a, b float64, ok bool) {
	text, ok := t.String(key)
	if !ok {
		return 0, 0, false
	}
	one, two, found := strings.Cut(text, word)
	if !found {
		t.Fault(key, without, document.Quote(text), how)
		return 0, 0, false
	}
	x, err := ParseQuantity(one, first)
	if err != nil {
		t.Refuse(key, err)
		return 0, 0, false
	}
	y, err := ParseQuantity(two, second)
	if err != nil {
		t.Refuse(key, err)
	}
	return x.SI, y.SI, err == nil
}

// PositiveAt is a quantity of more than 0, in SI; faults stay in the document.
func PositiveAt(t *document.Table, key string, kind Kind) (float64, bool) {
	q, ok := QuantityAt(t, key, kind)
	if ok && q.SI <= 0 {
		t.Fault(key, "must be more than 0", t.Got(key), "write a "+kind.String()+" of more than 0")
		return 0, false
	}
	return q.SI, ok
}

// NotNegativeAt is a quantity of 0 or more, in SI; faults stay in the document.
func NotNegativeAt(t *document.Table, key string, kind Kind) (float64, bool) {
	q, ok := QuantityAt(t, key, kind)
	if ok && q.SI < 0 {
		t.Fault(key, "is negative", t.Got(key), "write 0 or more")
		return 0, false
	}
	return q.SI, ok
}

// watched reads the channel that a row watches.
func watched(t *document.Table) (Channel, bool) {
	name, ok := t.String("watch")
	if !ok {
		t.Need("watch", "missing", `name the channel: watch = "craft.apex"`)
		return Channel{}, false
	}
	c, ok := Lookup(name)
	if !ok {
		t.Fault("watch", "no such channel", document.Quote(name), nearestChannel(name))
	}
	return c, ok
}

func nearestChannel(got string) string {
	var names []string
	for _, c := range Catalogue() {
		names = append(names, c.Name)
	}
	if mend := document.Nearest(got, names); mend != "" {
		return mend
	}
	return "take a name from the list of channels"
}

func readPermissive(t *document.Table, e *Envelope) {
	p := Permissive{Line: t.Line()}
	p.Name, _ = t.Name("name")
	c, ok := watched(t)
	form, key, formOK := readForm(t, startForms)
	if !ok || !formOK {
		markAll(t, "stale_after")
		return
	}
	p.Watch, p.Form, p.StaleAfter = c.ID, form, c.Stale
	if p.Name == "" {
		p.Name = c.Name
	}
	l, ok := readLimit(t, key, c, form)
	if ok {
		p.Limit, p.LimitHigh, p.Unit = l.low, l.high, l.unit
		never, always := reach(c, p.Holds, p.Limit, p.LimitHigh)
		never = never || form == Outside && l.low <= c.Low && l.high >= c.High // at the very ends of the range alone
		refuseReach(t, key, c, l.unit, never, always, "a start that is never allowed", "a condition that always holds")
	}
	p.StaleAfter = readStale(t, c)
	for i := range e.Permissives {
		if t.Has("name") && strings.EqualFold(e.Permissives[i].Name, p.Name) {
			t.Fault("name", "two permissives have this name", document.Quote(p.Name), fmt.Sprintf("rename one; the other is on line %d", e.Permissives[i].Line))
			break
		}
	}
	if ok {
		e.Permissives = append(e.Permissives, p)
	}
}

func readWithout(t *document.Table, e *Envelope) {
	for _, key := range t.Keys() {
		c, ok := Lookup(key)
		if !ok {
			wrong, mend := "no such channel", nearestChannel(key)
			if _, isTable := t.Value(key).(map[string]any); isTable {
				wrong, mend = "the channel's name is not in quotes", `write it as "tether.tension" = "why the pad has none"`
			}
			t.Fault(key, wrong, "", mend)
			continue
		}
		reason, ok := t.Note(key)
		if !ok {
			continue
		}
		e.Without = append(e.Without, Absence{Channel: c.ID, Reason: reason, Line: t.LineOf(key)})
	}
}

// CheckFed checks the envelope against what the pad feeds: every channel that
// is watched must be fed or be named under [without], and nothing that is fed
// may be named there. A nil fed feeds nothing.
func (e *Envelope) CheckFed(file string, fed func(ChannelID) Origin) Faults {
	var out Faults
	isFed := func(id ChannelID) bool { return fed != nil && fed(id) != NotFed }
	unfed := func(table string, i, line int, watch ChannelID) {
		if isFed(watch) {
			return
		}
		if _, ok := e.Absent(watch); ok {
			return
		}
		out = append(out, Fault{File: file, Line: line, Key: fmt.Sprintf("%s[%d].watch", table, i+1),
			Wrong: "nothing on this pad feeds the channel", Got: document.Quote(watch.String()),
			Mend: fmt.Sprintf(`name its source in the pad file, or write "%s" = "why the pad has none" under [without]`, watch)})
	}
	for i := range e.Rules {
		unfed("rule", i, e.Rules[i].Line, e.Rules[i].Watch)
	}
	for i := range e.Permissives {
		unfed("permissive", i, e.Permissives[i].Line, e.Permissives[i].Watch)
	}
	for _, a := range e.Without {
		if isFed(a.Channel) {
			out = append(out, Fault{File: file, Line: a.Line, Key: fmt.Sprintf("without.%q", a.Channel.String()),
				Wrong: "the pad does feed this channel", Got: fed(a.Channel).String(), Mend: "take the line out"})
		}
	}
	out.Sort()
	return out
}

// Absent finds the channel's row under [without].
func (e *Envelope) Absent(id ChannelID) (Absence, bool) {
	for _, a := range e.Without {
		if a.Channel == id {
			return a, true
		}
	}
	return Absence{}, false
}
