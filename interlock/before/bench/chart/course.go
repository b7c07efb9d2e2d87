package chart

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/before/bench"
	"downhaul/rules"
)

// Course draws one watched quantity of a recording: its values, limits and
// cautions of the rules on it, where they tripped and where they cautioned.
func Course(w io.Writer, env *rules.Envelope, r *bench.Result, c *bench.Course) error {
	unit := env.Rules[c.Rules[0]].Unit
	name := c.Channel.String()
	if c.Rate {
		name += " rate"
	}
	gap := 2 * time.Second
	for _, i := range c.Rules {
		gap = max(gap, env.Rules[i].StaleAfter)
	}
	p := picture.Chart{To: max(r.End.Seconds(), 0.001), Unit: unit, Scale: picture.InUnit(unit), Height: 220, Says: name + " over time in seconds",
		Traces: []picture.Trace{{Curves: c.Curves(gap)}}, Marks: marks(r, c)}
	for _, i := range c.Rules {
		p.Levels = append(p.Levels, levels(&env.Rules[i])...)
	}
	title := name
	if unit != "" {
		title += " in " + unit
	}
	title += " over time in s, " + filepath.Base(r.File)
	if len(p.Traces[0].Curves) == 0 {
		title += " (never had a value)"
	}
	return picture.File(w, title, &p)
}

// levels are the limits and cautions of one rule.
func levels(r *rules.Rule) []picture.Level {
	text := func(si float64) string {
		switch {
		case r.Watch.Channel().Kind == rules.Flag:
			return fmt.Sprint(si != 0)
		case r.Unit == "":
			return fmt.Sprint(si)
		}
		return rules.FormatExact(si, r.Unit)
	}
	var out []picture.Level
	add := func(word string, at, limit, caution float64) {
		out = append(out, picture.Level{V: at * limit, Words: r.Name + ": " + word + " " + text(limit)})
		if r.HasCaution {
			out = append(out, picture.Level{V: at * caution, Words: "caution " + text(caution), Caution: true})
		}
	}
	switch r.Form {
	case rules.Outside:
		add("not below", 1, r.Limit, r.Caution)
		add("not above", 1, r.LimitHigh, r.CautionHigh)
	case rules.FallingFaster:
		add("not falling faster than", -1, r.Limit, r.Caution)
	default:
		add(map[rules.Form]string{rules.Above: "not above", rules.Below: "not below", rules.Is: "may not be", rules.IsNot: "may only be",
			rules.RisingFaster: "not rising faster than"}[r.Form], 1, r.Limit, r.Caution)
	}
	return out
}

// marks are where the rules tripped and cautioned: a line each, and words with the
// number of all at the first of a kind.
func marks(r *bench.Result, c *bench.Course) []picture.Mark {
	var out []picture.Mark
	kind := func(words string, main bool, all []bench.Event, is func(e *bench.Event) bool) {
		var at []time.Duration
		for i := range all {
			if e := &all[i]; slices.Contains(c.Rules, e.Effect().Rule) && is(e) {
				at = append(at, time.Duration(e.AtS*1e9))
			}
		}
		for i, t := range at {
			m := picture.Mark{At: t, Main: main}
			if i == 0 {
				m.Words = fmt.Sprintf("%s (%d)", words, len(at))
			}
			out = append(out, m)
		}
	}
	valued := func(e *bench.Event) bool { return e.Value != nil }
	stops := r.Stops()
	kind("trip", true, stops, valued)
	kind("trip because it was missing", true, stops, func(e *bench.Event) bool { return e.Value == nil })
	kind("caution", false, r.Cautions, valued)
	slices.SortStableFunc(out, func(a, b picture.Mark) int { return int(a.At - b.At) })
	return out
}
