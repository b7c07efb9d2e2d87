package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"downhaul/interlock/before/prove"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// The columns of names.
const (
	nameColumn = 22
	caseColumn = 32
)

func (r *proved) print(w io.Writer) {
	wrap(w, "Limits of ", "  ", fmt.Sprintf("%s: %s", r.Envelope.File, r.Envelope.Title))
	if r.BuiltIn {
		wrap(w, "On the built-in virtual pad ", "  ", "that feeds everything: no pad file was given. Times and sensors of a real pad are others; give --pad FILE to prove them, on record.")
	} else {
		wrap(w, "On the pad ", "  ", strings.TrimSuffix(r.Pad.File+": "+r.Pad.Title, ": "))
	}
	fmt.Fprintln(w)
	var rows [][]string
	for i := range r.Report.Rules {
		row := &r.Report.Rules[i]
		cells := []string{row.Rule, r.limitText(row), "", "", "", "NOT PROVEN"}
		if row.Outcome != prove.NotProven {
			cells = append(cells[:2], shortTime(row.Detect), shortTime(row.Budget), shortTime(row.Silence), pick(row.Outcome == prove.Fail, "FAILED", row.Outcome))
		}
		rows = append(rows, cells)
	}
	table(w, "", []string{"rule", "limit", ">acts in", ">budget", ">silent", "outcome"}, []int{20, 19, 7, 7, 7, 0}, rows)
	wrap(w, "", "", "(acts in: from just past the limit to the decision; budget: the longest it may take; silent: from the last good value to the decision)")
	r.printEdges(w)
	r.printStarts(w)
	r.printFailed(w)
	r.printUntried(w, "Not proven, and why:", prove.NotProven)
	r.printUntried(w, "Does not apply:", prove.Moot)
	if len(r.Report.Notes) > 0 {
		fmt.Fprintln(w)
	}
	wrapEach(w, "Note: ", "  ", r.Report.Notes)
	wrapEach(w, "Warning: ", "  ", r.Warnings)
	if len(r.Unseen) > 0 {
		var names []string
		for _, u := range r.Unseen {
			names = append(names, u.String())
		}
		fmt.Fprintln(w)
		wrap(w, "This set-up cannot see: ", "  ", strings.Join(names, "; "))
	}
	fmt.Fprintln(w)
	result := "NOTHING FAILED"
	if !r.Passed {
		result = "FAILED"
	}
	wrap(w, result+": ", "  ", fmt.Sprintf("%s passed, %d failed, %d not proven, %s not apply. This proves the logic on these files, and no wiring, relay, sensor or radio: that is for commissioning.",
		words.Count(r.Counts.Pass, "case"), r.Counts.Fail, r.Counts.NotProven, pick(r.Counts.Moot == 1, "1 does", fmt.Sprint(r.Counts.Moot, " do"))))
	if r.Record != nil {
		wrap(w, "Record: ", "  ", *r.Record)
	} else if r.BuiltIn {
		fmt.Fprintln(w, "No record is kept without a pad file.")
	}
}

// printStarts lists the envelope's conditions of a start.
func (r *proved) printStarts(w io.Writer) {
	if len(r.Report.Starts) > 0 {
		fmt.Fprintln(w, "\nBefore a start, each of these alone:")
	}
	for _, c := range r.Report.Starts {
		outcome, name := c.Outcome, printable(c.Name)
		if outcome == prove.Fail {
			outcome = "FAILED"
		}
		if utf8.RuneCountInString(name) > caseColumn {
			wrap(w, "  ", "  ", name)
			name = ""
		}
		wrap(w, fmt.Sprintf("  %-*s %s: ", caseColumn, name, outcome), strings.Repeat(" ", caseColumn+5), c.Says)
	}
}

// shortTime is a time that fits a narrow column.
func shortTime(v *float64) string {
	switch {
	case v == nil:
		return "-"
	case *v < 1:
		return rounding.Show(*v, "ms", 3, rounding.Up)
	}
	return rounding.Show(*v, "s", 3, rounding.Up)
}

// limitText is one side of a rule's limit, in its own unit.
func (r *proved) limitText(row *prove.Row) string {
	words := map[string]string{"rising": "rising over", "falling": "falling over", "is_not": "is not"}
	word, ok := words[row.Side]
	if !ok {
		word = row.Side
	}
	return word + " " + r.value(row, row.Limit)
}

// value is a value of the row's channel, exact enough to tell two steps of a
// field apart.
func (r *proved) value(row *prove.Row, v float64) string {
	rule := &r.env.Rules[row.Index]
	if rule.Watch.Channel().Kind == rules.Flag {
		return pick(v != 0, "true", "false")
	}
	if row.Side == "falling" {
		v = -v
	}
	text := prove.Say(v, rule.Unit)
	if row.Side != "falling" && row.Side != "rising" && prove.Hair(v, row.Limit, rule.Unit) {
		text = prove.Say(row.Limit, rule.Unit)
	}
	if limit := row.Limit; v != limit && row.Side != "falling" && text == prove.Say(limit, rule.Unit) {
		return "just " + pick((v > limit) == (row.Side == "above" || row.Side == "rising"), "past ", "inside ") + text
	}
	return text
}

// printEdges prints how near to the limit it was proved.
func (r *proved) printEdges(w io.Writer) {
	fmt.Fprintln(w, "\nThe largest excursion that did nothing, and the smallest that acted:")
	for i := range r.Report.Rules {
		row := &r.Report.Rules[i]
		if row.Held == nil || row.Tripped == nil {
			continue
		}
		exact := pick(row.Exact && row.Side != "is" && row.Side != "is_not", " (the limit itself)", "")
		text := fmt.Sprintf("%s%s, and %s", r.value(row, *row.Held), exact, r.value(row, *row.Tripped))
		if row.Beside != "" {
			text += "; proved by itself, for beside the others " + row.Beside
		}
		wrap(w, fmt.Sprintf("  %-*s ", nameColumn, printable(row.Rule)), strings.Repeat(" ", 6), text)
	}
}

func (r *proved) printFailed(w io.Writer) {
	if r.Counts.Fail == 0 {
		return
	}
	fmt.Fprintln(w, "\nFAILED:")
	for _, row := range r.Report.Rules {
		for _, c := range row.Cases {
			if c.Outcome == prove.Fail {
				wrap(w, "  - ", "    ", fmt.Sprintf("%s %s, %s: %s", row.Rule, row.Side, c.Name, c.Says))
			}
		}
	}
	for _, c := range r.Report.Starts {
		if c.Outcome == prove.Fail {
			wrap(w, "  - ", "    ", c.Name+": "+c.Says)
		}
	}
}

// printUntried lists what was not tried, each reason once.
func (r *proved) printUntried(w io.Writer, title, outcome string) {
	type reason struct {
		name, says string
		rules      []string
	}
	var reasons []reason
	note := func(name, says, rule string) {
		i := slices.IndexFunc(reasons, func(x reason) bool { return x.name == name && x.says == says })
		if i < 0 {
			i = len(reasons)
			reasons = append(reasons, reason{name: name, says: says})
		}
		if !slices.Contains(reasons[i].rules, rule) {
			reasons[i].rules = append(reasons[i].rules, rule)
		}
	}
	for _, row := range r.Report.Rules {
		if row.Outcome == outcome {
			name := "the whole rule"
			if slices.ContainsFunc(r.Report.Rules, func(x prove.Row) bool { return x.Index == row.Index && x.Side != row.Side }) {
				name = "the limit " + row.Side
			}
			note(name, row.Why, row.Rule)
		}
	}
	for _, row := range r.Report.Rules {
		for _, c := range row.Cases {
			if c.Outcome == outcome {
				note(c.Name, c.Says, row.Rule)
			}
		}
	}
	if outcome == prove.NotProven { // what does not apply is told in its own list
		for _, c := range r.Report.Starts {
			if c.Outcome == outcome {
				note(c.Name, c.Says, "before a start")
			}
		}
	}
	if len(reasons) == 0 {
		return
	}
	fmt.Fprintf(w, "\n%s\n", title)
	for _, x := range reasons {
		who := strings.Join(x.rules, ", ")
		if len(x.rules) == len(r.env.Rules) && len(x.rules) > 1 {
			who = "every rule"
		}
		wrap(w, "  - ", "    ", fmt.Sprintf("%s (%s): %s", x.name, who, x.says))
	}
}
