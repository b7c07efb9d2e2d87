package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"downhaul/interlock/model/rehearsal"
	"downhaul/rules"
)

// all flies every mishap that ships, and the changes that could help.
func (c *rehearseCmd) all(ctx context.Context, s *streams, set *rehearsal.Setup, dir string) error {
	results, err := set.All(ctx, dir, c.Out != "")
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	changes, err := set.Best(ctx, filepath.Join(dir, "trials"), results)
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	found := 0
	for _, r := range results {
		if !r.AsExpected || unseen(r) != "" {
			found++
		}
	}
	if c.JSON {
		out := rehearsedJSON(set, results, c.Out == "")
		for i := range out.Flights {
			out.Flights[i].Timeline = nil
		}
		for _, x := range changes {
			out.Changes = append(out.Changes, changedObject{x.What, x.Gain, x.Helps, x.Calm})
		}
		if err := printJSON(s.out, out); err != nil {
			return err
		}
	} else {
		printMishaps(s, set, results)
		printChanges(s, changes)
	}
	if found > 0 {
		return errFound
	}
	return nil
}

// unseen is the first harm that came before the guard had acted, empty for none.
func unseen(r *rehearsal.Result) string {
	for _, h := range r.Harms {
		if !h.Seen {
			return h.What
		}
	}
	return ""
}

// printMishaps prints one row for each mishap.
func printMishaps(s *streams, set *rehearsal.Setup, results []*rehearsal.Result) {
	unit := func(k rules.Kind) string { return rules.DefaultUnit(k, set.Checked.Envelope.Units) }
	in := func(v float64, k rules.Kind) float64 {
		x, _ := rules.Convert(v, unit(k))
		return x
	}
	const row = "%-24.24s %-20.20s %6s %6.1f %7.0f %6.1f %5.1f\n"
	fmt.Fprintf(s.out, "%-24s %-20s %6s %6s %7s %6s %5s\n", "Rehearsed", "acted first", "after", "height", "pull", "arrive", "off")
	fmt.Fprintf(s.out, "%-24s %-20s %6s %6s %7s %6s %5s\n", "", "", "s", unit(rules.Length), unit(rules.Force), unit(rules.Speed), unit(rules.Length))
	for _, r := range results {
		first, after := "nothing", ""
		a := r.Stopped
		if a == nil {
			a = r.Acted
		}
		switch {
		case r.Lacks != "":
			fmt.Fprintf(s.out, "%-24.24s no %s on this pad\n", r.Name, r.Lacks)
			continue
		case r.NoStart != "":
			first = "not flown"
		case a != nil:
			switch first = a.Rule; {
			case first == "":
				first = a.Why
			case a.What == "caution":
				first = "caution: " + first
			case a.What == "bring it down":
				first = "lowering: " + first
			}
			after = fmt.Sprintf("%.2f", a.At.Seconds())
		case !r.Mishap && r.Stopped == nil:
			first = "-"
		}
		t := r.Truth
		fmt.Fprintf(s.out, row, r.Name, wholeWords(first, 20), after, in(t.Height, rules.Length), in(t.Tension, rules.Force), in(t.Arrival, rules.Speed), in(t.Distance, rules.Length))
	}
	fmt.Fprintln(s.out)
	for _, r := range results {
		switch {
		case r.NoStart != "":
			wrap(s.out, "Not flown:  ", "            ", r.Name+": the crew waited in vain for "+r.NoStart+".")
		case unseen(r) != "":
			wrap(s.out, "Not seen:   ", "            ", r.Name+": "+unseen(r)+", before anything acted.")
		case !r.AsExpected:
			wrap(s.out, "Unexpected: ", "            ", r.Name+": "+pick(r.Expect == "none", "it was stopped, and nothing was wrong.", "expected: "+r.Expect+"; it was not so."))
		}
	}
}

// wholeWords returns as many words of a text as have room.
func wholeWords(text string, room int) string {
	if len(text) <= room {
		return text
	}
	if i := strings.LastIndexByte(text[:room+1], ' '); i > 0 {
		return strings.TrimRight(text[:i], ",;:")
	}
	return text[:room]
}

// changesShown is how many changes are shown.
const changesShown = 3

func printChanges(s *streams, changes []rehearsal.Change) {
	fmt.Fprintln(s.out)
	if len(changes) == 0 {
		wrap(s.out, "", "", "None of the changes of the limits that were flown makes these mishaps milder.")
		return
	}
	fmt.Fprintln(s.out, "What would help most, by flying it (no limit loosened):")
	for i, c := range changes[:min(len(changes), changesShown)] {
		wrap(s.out, fmt.Sprintf("  %d. ", i+1), "     ", fmt.Sprintf("%s: milder in %s%s.", c.What, plural(c.Helps, "mishap"), pick(c.Calm, ", but it trips on a calm day", "")))
	}
	wrap(s.out, "", "", "Ranked by what the model says of the craft; a real one differs. Prove every change before it flies.")
}
