package main

import (
	"slices"
	"strings"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/sense"
)

// limitsPage is the table of what is accepted, warned of and refused, from the tables by
// which the programs go.
func limitsPage() page {
	w := newPage("downhaul-limits", "5", "what the three files of downhaul may say")
	w.head("DESCRIPTION")
	w.text("Beside what the readers of the files refuse (downhaul-card, downhaul-envelope and downhaul-pad), numbers and limits are held against what can be meant. " +
		"What is refused is refused by downhaul check, prove, new and, where it says so, by a guard's start. " +
		"What is warned of is shown by check, prove and new with the figure that shows it; a guard starts with it. " +
		"Refused or warned, their exit code is 1; which of the two is the last line of check, and verdict (accepted, warned or refused) of its --json. 2 is a file that could not be read. " +
		"One cause is told once, where it stands: what follows from a fault is not told before that is mended, and what goes with a warning is told there by its line (consequences of --json has its text). " +
		"The bounds are judgement, without a source, and wide: crafts of 1 to some hundred kg. Each message names file, line, key, what was found and the mend.")
	bullets := func(head string, whats ...string) {
		w.head(head)
		w.macro("Bl -bullet")
		for _, what := range whats {
			w.macro("It")
			w.text(what + ".")
		}
		w.macro("El")
	}
	start := []string{"a number past its bounds, as under NUMBERS"}
	for _, r := range sense.Rows {
		start = append(start, r.What)
	}
	refused := []string{}
	warned := append([]string{"a number past what is usual, as under NUMBERS", "a log folder or a key file that is not there on this computer"}, hazard.Reckoned...)
	for _, r := range hazard.Rows {
		if r.Refused {
			refused = append(refused, r.What)
		} else {
			warned = append(warned, r.What)
		}
	}
	bullets("REFUSED, BY A GUARD'S START TOO", start...)
	bullets("REFUSED BY THE TOOL", refused...)
	bullets("WARNED OF", warned...)
	w.head("NUMBERS")
	var items [][2]string
	for _, r := range sense.AllRanges() {
		var parts []string
		for i, words := range []string{"refused below ", "warned of below ", "warned of above ", "refused above "} {
			if r[i+2] != "" {
				parts = append(parts, words+r[i+2])
			}
		}
		items = append(items, [2]string{r[0] + " " + strings.ReplaceAll(r[1], "[]", ""), upper(r[6]) + ". " + upper(strings.Join(parts, ", ")) + "."})
	}
	w.list(items)
	w.head("WHERE CHANNELS STAND")
	w.text("A rule whose limit all of the first two leave is refused, one that some of them leave is warned of; so is a limit past the third.")
	items = nil
	for _, c := range hazard.States() {
		var parts []string
		for i, words := range []string{"at rest on the pad ", "in a quiet hover ", "limits act in time "} {
			if ends := slices.DeleteFunc([]string{c[2*i+1], c[2*i+2]}, func(s string) bool { return s == "" }); len(ends) > 0 {
				parts = append(parts, words+strings.Join(ends, " to "))
			}
		}
		items = append(items, [2]string{c[0], upper(strings.Join(parts, ", ")) + "."})
	}
	w.list(items)
	w.head("SEE ALSO")
	w.macro("Xr downhaul 1 ,")
	w.macro("Xr downhaul-card 5 ,")
	w.macro("Xr downhaul-envelope 5 ,")
	w.macro("Xr downhaul-pad 5 ,")
	w.macro("Xr downhauld 8")
	w.cautions()
	return page{"downhaul-limits", "5", w.String()}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
