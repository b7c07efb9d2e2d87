package rules

import (
	"fmt"
	"strings"
	"time"

	"downhaul/rules/document"
)

// Defaults and bounds of a rule. All ours, from judgement, no source.
const (
	// defaultDeadband is the share of the limit by which a value must come
	// back: published starting values for process alarms run from 1 to 5 % of
	// the range (EEMUA 191 as quoted by exida.com, "Why should I use an alarm
	// deadband?": pressure 2 %, temperature 1 %, flow 5 %).
	defaultDeadband = 0.02
	// A slope needs some samples before it means anything, and must not
	// outlive what it warns of.
	defaultOverPeriods = 10
	shortestOver       = 500 * time.Millisecond
	longestOver        = time.Minute
	// Nothing at a pad waits longer.
	LongestTime = time.Hour
	mostFrozen  = 1000000
)

type formKey struct {
	key  string
	form Form
}

// The forms of rules and of permissives with their keys.
var (
	ruleForms = []formKey{{"above", Above}, {"below", Below}, {"outside", Outside}, {"rising_faster", RisingFaster},
		{"falling_faster", FallingFaster}, {"is", Is}, {"is_not", IsNot}}
	startForms = []formKey{{"above", Above}, {"below", Below}, {"outside", Outside}, {"is", Is}, {"is_not", IsNot}}
)

func readForm(t *document.Table, forms []formKey) (Form, string, bool) {
	var found []formKey
	names := make([]string, len(forms))
	for i, f := range forms {
		names[i] = f.key
		if t.Has(f.key) {
			found = append(found, f)
		}
	}
	switch len(found) {
	case 0:
		t.Missing(forms[0].key, "no limit", "write one of "+document.List(names, "or"))
		return 0, "", false
	case 1:
		return found[0].form, found[0].key, true
	}
	second := found[1].key
	if t.LineOf(found[0].key) > t.LineOf(second) {
		second = found[0].key
	}
	keys := make([]string, len(found))
	for i, f := range found {
		keys[i] = f.key
	}
	t.Fault(second, "two limits in one row", document.List(keys, "and"), "keep one, and give the other a row of its own")
	return 0, "", false
}

// markAll marks keys as known in a row that cannot be read further.
func markAll(t *document.Table, keys ...string) {
	for _, k := range keys {
		t.Has(k)
	}
}

// limit is a limit as read, in SI: for all forms but Outside only low is used.
type limit struct {
	low, high float64
	unit      string
}

// LimitKind is the kind that the form's limit has on the channel, 0 with the
// reason when the form does not fit it.
func LimitKind(c Channel, form Form) (Kind, string, string) {
	switch form {
	case Is, IsNot:
		if c.Kind != Flag && c.Kind != Number {
			return 0, fmt.Sprintf("is for flags and plain numbers, and %s is a %s", c.Name, c.Kind), "use above, below or outside"
		}
		return c.Kind, "", ""
	case RisingFaster, FallingFaster:
		k := c.Kind.Rate()
		if k == 0 {
			return 0, fmt.Sprintf("%s has no rate of change (its kind: %s)", c.Name, c.Kind), "watch the value itself"
		}
		return k, "", ""
	}
	if c.Kind == Flag {
		return 0, fmt.Sprintf("%s is true or false", c.Name), "use is or is_not"
	}
	return c.Kind, "", ""
}

// readLimit reads a limit or caution: true or false for a flag, a bare number
// for a plain number, else a quantity; two of them in brackets for Outside.
func readLimit(t *document.Table, key string, c Channel, form Form) (limit, bool) {
	kind, wrong, mend := LimitKind(c, form)
	v := t.Value(key)
	if kind == 0 {
		t.Fault(key, wrong, document.Show(v), mend)
		return limit{}, false
	}
	if form != Outside {
		q, ok := readValue(t, key, "", v, kind)
		return limit{low: q.SI, unit: q.Unit}, ok
	}
	list, ok := v.([]any)
	if !ok || len(list) != 2 {
		t.Fault(key, "takes two values in brackets, the low and the high one", document.Show(v), fmt.Sprintf("write %s = [%s]", key, exampleRange(kind)))
		return limit{}, false
	}
	low, okLow := readValue(t, key, "the low value ", list[0], kind)
	high, okHigh := readValue(t, key, "the high value ", list[1], kind)
	if !okLow || !okHigh {
		return limit{}, false
	}
	if low.SI >= high.SI {
		t.Fault(key, "the low value must be less than the high one", document.Show(list[0])+" and "+document.Show(list[1]), "put the lower one first")
		return limit{}, false
	}
	return limit{low: low.SI, high: high.SI, unit: low.Unit}, true
}

func exampleRange(kind Kind) string {
	if kind == Number {
		return "1, 5"
	}
	unit := DefaultUnit(kind, "metric")
	return fmt.Sprintf(`"1 %s", "5 %s"`, unit, unit)
}

func readValue(t *document.Table, key, which string, v any, kind Kind) (Quantity, bool) {
	switch kind {
	case Flag:
		b, ok := v.(bool)
		if !ok {
			t.Fault(key, which+"takes true or false, without quotes", document.Show(v), "write "+key+" = true")
			return Quantity{}, false
		}
		if b {
			return Quantity{SI: 1}, true
		}
		return Quantity{}, true
	case Number:
		n, ok := document.Bare(v)
		if !ok {
			t.Fault(key, which+"takes a plain number, without quotes and unit", document.Show(v), "write "+key+" = 5")
			return Quantity{}, false
		}
		return Quantity{SI: n}, true
	}
	s, ok := v.(string)
	if !ok {
		t.Fault(key, which+"has no unit", document.Show(v), `write it in quotes with one of the units `+kind.listUnits())
		return Quantity{}, false
	}
	q, err := ParseQuantity(s, kind)
	if err != nil {
		f, isFault := err.(Fault)
		if isFault {
			f.Wrong = which + f.Wrong
			err = f
		}
		t.Refuse(key, err)
		return Quantity{}, false
	}
	return q, true
}

func readRule(t *document.Table, e *Envelope) {
	r := Rule{Line: t.Line()}
	var whole bool
	if r.Name, whole = t.Name("name"); !whole && !t.Has("name") {
		t.Missing("name", "missing", `write a short name: name = "tether overload"`)
	}
	for i := range e.Rules {
		if whole && strings.EqualFold(strings.TrimSpace(e.Rules[i].Name), strings.TrimSpace(r.Name)) {
			t.Fault("name", "two rules have this name", document.Quote(r.Name), fmt.Sprintf("rename one; the other is on line %d", e.Rules[i].Line))
			break
		}
	}
	c, channelOK := watched(t)
	form, key, formOK := readForm(t, ruleForms)
	readStop(t, &r)
	if w, ok := t.Choice("while", "always", "armed", "airborne"); ok {
		r.While = map[string]Phase{"always": Always, "armed": Armed, "airborne": Airborne}[w]
	}
	if d, ok := boundedTime(t, "lasting"); ok {
		r.Lasting = d
	}
	if !channelOK || !formOK {
		markAll(t, "caution", "over", "deadband", "stale_after", "frozen_after")
		return
	}
	r.Watch, r.Form = c.ID, form
	r.StaleAfter = readStale(t, c)
	r.FrozenAfter = readFrozen(t, c)
	r.Over = readOver(t, c, form)
	l, ok := readLimit(t, key, c, form)
	if !ok {
		markAll(t, "caution", "deadband")
		return
	}
	r.Limit, r.LimitHigh, r.Unit = l.low, l.high, l.unit
	never, always := r.Reach()
	refuseReach(t, key, c, l.unit, never, always, "a rule that can never act", "a rule that would always act")
	if r.Form == RisingFaster || r.Form == FallingFaster {
		checkRate(t, key, c, &r)
	}
	readCaution(t, c, &r)
	readDeadband(t, c, &r)
	r.MissingStop, r.MissingGrace = missingStop(r.Watch, r.WhenMissing, r.Stop, r.Grace)
	e.Rules = append(e.Rules, r)
}

func boundedTime(t *document.Table, key string) (time.Duration, bool) {
	d, ok := DurationAt(t, key)
	if ok && d > LongestTime {
		t.Fault(key, "is longer than an hour", t.Got(key), "write a shorter time")
		return 0, false
	}
	return d, ok
}

func readStop(t *document.Table, r *Rule) {
	stop, stopOK := t.Choice("stop", "immediate", "controlled", "none")
	t.Need("stop", "missing", `write stop = "immediate", "controlled" or "none"`)
	grace, graceOK := boundedTime(t, "grace")
	switch stop {
	case "immediate":
		r.Stop = Immediate
	case "controlled":
		r.Stop = Controlled
		switch {
		case !t.Has("grace"):
			t.Missing("grace", "a controlled stop needs it", `write how long bringing it down may take: grace = "20 s"`)
		case graceOK && grace == 0:
			t.Fault("grace", "must be more than 0", t.Got("grace"), `write how long bringing it down may take, or stop = "immediate"`)
		}
		r.Grace = grace
	}
	t.FaultIf(t.Has("grace") && stopOK && stop != "controlled", "grace", "only a controlled stop has a grace time", `take it out, or write stop = "controlled"`)
	if w, ok := t.Choice("when_missing", "trip", "caution"); ok && w == "caution" {
		r.WhenMissing = MissingCautions
		if r.Stop == Immediate {
			t.Fault("when_missing", "an immediate stop may not be blind to a missing channel", document.Quote(w), `take it out, or write stop = "controlled" with a grace time`)
		}
	}
}

func readStale(t *document.Table, c Channel) time.Duration {
	d, ok := boundedTime(t, "stale_after")
	if !ok {
		return c.Stale
	}
	if d < c.Period {
		t.Fault("stale_after", fmt.Sprintf("shorter than the time between two samples of %s, %s", c.Name, FormatDuration(c.Period)),
			t.Got("stale_after"), fmt.Sprintf("write at least that; the default is %s", FormatDuration(c.Stale)))
		return c.Stale
	}
	return d
}

func readFrozen(t *document.Table, c Channel) int {
	n, ok := t.Int("frozen_after", 0, mostFrozen)
	if !ok {
		return c.FrozenAfter
	}
	if n == 1 || n > 0 && c.Kind == Flag {
		wrong := "one sample alone cannot be frozen"
		if n > 1 {
			wrong = c.Name + " is true or false, and stays the same all day"
		}
		t.Fault("frozen_after", wrong, t.Got("frozen_after"), "take it out, or write 0")
		return c.FrozenAfter
	}
	return n
}

func readOver(t *document.Table, c Channel, form Form) time.Duration {
	rate := form == RisingFaster || form == FallingFaster
	d, ok := DurationAt(t, "over")
	switch {
	case !rate:
		t.Forbid("only rising_faster and falling_faster have it", "take it out; for a delay use lasting", "over")
		return 0
	case !ok:
		return max(defaultOverPeriods*c.Period, shortestOver)
	case d < 2*c.Period || d > longestOver:
		t.Fault("over", fmt.Sprintf("must be from %s (two samples of %s) to %s", FormatDuration(2*c.Period), c.Name, FormatDuration(longestOver)),
			t.Got("over"), "write a time in that range")
	}
	return d
}

// readCaution reads the caution, which must lie inside the limit.
func readCaution(t *document.Table, c Channel, r *Rule) {
	if !t.Has("caution") {
		return
	}
	if r.Form == Is || r.Form == IsNot {
		t.Fault("caution", "is and is_not have no caution", t.Got("caution"), "take it out")
		return
	}
	l, ok := readLimit(t, "caution", c, r.Form)
	if !ok {
		return
	}
	word := "below"
	switch r.Form {
	case Below:
		word = "above"
	case Outside:
		word = "between"
	}
	if !r.Encloses(l.low, l.high) {
		at := FormatExact(r.Limit, r.Unit)
		if r.Form == Outside {
			at += " and " + FormatExact(r.LimitHigh, r.Unit)
		}
		t.Fault("caution", "is not inside the limit, so that it would warn of nothing", showValue(t.Value("caution")), fmt.Sprintf("write it %s %s", word, at))
		return
	}
	r.HasCaution, r.Caution, r.CautionHigh = true, l.low, l.high
}

func showValue(v any) string {
	if list, ok := v.([]any); ok { // of two, as every limit that was read
		return document.Show(list[0]) + " and " + document.Show(list[1])
	}
	return document.Show(v)
}

// readDeadband reads the deadband or works out the default: 2 % of the limit
// (of the span for outside), never past the caution; 0 for flags and plain
// numbers.
func readDeadband(t *document.Table, c Channel, r *Rule) {
	room, what := r.DeadbandRoom()
	if !t.Has("deadband") {
		r.Deadband = r.UsualDeadband()
		return
	}
	r.DeadbandWritten = true
	if r.Form == Is || r.Form == IsNot {
		t.Fault("deadband", "is and is_not have no deadband", t.Got("deadband"), "take it out")
		return
	}
	kind, _, _ := LimitKind(c, r.Form)
	var q Quantity
	var ok bool
	if kind == Number {
		q, ok = readValue(t, "deadband", "", t.Value("deadband"), kind)
	} else if inQuotes(t, "deadband", kind) {
		q, ok = document.Parsed(t, "deadband", func(text string) (Quantity, error) { return ParseDifference(text, kind) })
	}
	switch {
	case !ok:
	case q.SI < 0:
		t.Fault("deadband", "is negative", t.Got("deadband"), "write 0 or more")
	case r.Form == Outside && q.SI >= (r.LimitHigh-r.Limit)/2:
		t.Fault("deadband", "so wide that nothing inside the limits is left", t.Got("deadband"), "write less than "+FormatDifference((r.LimitHigh-r.Limit)/2, r.Unit))
	case q.SI > room:
		t.Fault("deadband", "reaches past "+what, t.Got("deadband"), "write at most "+FormatDifference(room, r.Unit))
	case r.NeverOver(q.SI):
		t.Fault("deadband", "so wide that a violation could never be over", t.Got("deadband"),
			fmt.Sprintf("%s runs from %s to %s", c.Name, Format(c.Low, r.Unit), Format(c.High, r.Unit)))
	default:
		r.Deadband = q.SI
	}
}
