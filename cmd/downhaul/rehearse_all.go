package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"

	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/model/rehearsal/album"
	"downhaul/rules"
)

// all flies every mishap that ships, and the changes that could help.
func (c *rehearseCmd) all(ctx context.Context, s *streams, set *rehearsal.Setup, dir string) error {
	show := newProgress(s.err, "rehearse", 0)
	show.what = "mishaps flown"
	show.begin()
	results, err := set.All(ctx, dir, c.Out != "", show.one)
	show.end()
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	show = newProgress(s.err, "rehearse", 0)
	show.what = "trials of changes flown"
	show.begin()
	changes, err := set.Best(ctx, filepath.Join(dir, "trials"), results, show.one)
	show.end()
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	found := 0
	for _, r := range results {
		if !r.AsExpected || r.Unseen() != "" {
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
	if err := c.page(s, dir, album.Shown{Setup: set, Flights: results, Ranked: true, Changes: changes[:min(len(changes), changesShown)]}); err != nil {
		return err
	}
	if found > 0 {
		return errFound
	}
	return nil
}

// pageOf is the page of a rehearsal in the folder of its sessions.
const pageOf = "rehearsal.html"

// page writes the page, where the rehearsal is kept at all.
func (c *rehearseCmd) page(s *streams, dir string, shown album.Shown) error {
	if c.Out == "" {
		return nil
	}
	shown.Mark = rehearsedMark
	name := filepath.Join(dir, pageOf)
	if err := writeWhole(name, func(w io.Writer) error { return album.Write(w, shown) }); err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	if !c.JSON {
		fmt.Fprintln(s.out)
		wrap(s.out, "Page: ", "      ", printable(name))
	}
	return nil
}

// printMishaps prints one row for each mishap.
func printMishaps(s *streams, set *rehearsal.Setup, results []*rehearsal.Result) {
	unit := func(k rules.Kind) string { return rules.DefaultUnit(k, set.Checked.Envelope.Units) }
	in := func(v float64, k rules.Kind, digits int) string {
		x, _ := rules.Convert(v, unit(k))
		return fmt.Sprintf("%.*f", digits, x)
	}
	var rows [][]string
	for _, r := range results {
		if r.Lacks != "" {
			rows = append(rows, []string{r.Name + ": no " + r.Lacks + " on this pad"})
			continue
		}
		first, after := r.ActedFirst()
		t := r.Truth
		rows = append(rows, []string{r.Name, first, after, in(t.Height, rules.Length, 1), in(t.Tension, rules.Force, 0), in(t.Arrival, rules.Speed, 1), in(t.Distance, rules.Length, 1)})
	}
	table(s.out, "", []string{"Rehearsed", "acted first", ">after s", ">height " + unit(rules.Length), ">pull " + unit(rules.Force), ">arrive " + unit(rules.Speed), ">off " + unit(rules.Length)},
		[]int{24, 16, 5, 6, 6, 6, 5}, rows)
	fmt.Fprintln(s.out)
	for _, r := range results {
		switch {
		case r.NoStart != "":
			wrap(s.out, "Not flown:  ", "            ", r.Name+": the crew waited in vain for "+r.NoStart+".")
		case r.Unseen() != "":
			wrap(s.out, "Not seen:   ", "            ", r.Name+": "+r.Unseen()+", before anything acted.")
		case !r.AsExpected:
			wrap(s.out, "Unexpected: ", "            ", r.Name+": "+pick(r.Expect == "none", "it was stopped, and nothing was wrong.", "expected: "+r.Expect+"; it was not so."))
		}
	}
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
		wrap(s.out, fmt.Sprintf("  %d. ", i+1), "     ", c.Says()+".")
	}
	wrap(s.out, "", "", "Ranked by what the model says of the craft; a real one differs. Prove every change before it flies.")
}
