package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

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

// actedWide is how wide the column is that says what acted first.
const actedWide = 20

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
		if r.Lacks != "" {
			fmt.Fprintf(s.out, "%-24.24s no %s on this pad\n", r.Name, r.Lacks)
			continue
		}
		first, after := r.ActedFirst()
		t := r.Truth
		head := wholeWords(first, actedWide)
		fmt.Fprintf(s.out, row, r.Name, head, after, in(t.Height, rules.Length), in(t.Tension, rules.Force), in(t.Arrival, rules.Speed), in(t.Distance, rules.Length))
		if rest := strings.TrimSpace(first[len(head):]); rest != "" {
			wrap(s.out, strings.Repeat(" ", 27), strings.Repeat(" ", 27), rest)
		}
	}
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

// wholeWords returns as many words of a text as have room.
func wholeWords(text string, room int) string {
	if len(text) <= room {
		return text
	}
	if i := strings.LastIndexByte(text[:room+1], ' '); i > 0 {
		return text[:i]
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
		wrap(s.out, fmt.Sprintf("  %d. ", i+1), "     ", c.Says()+".")
	}
	wrap(s.out, "", "", "Ranked by what the model says of the craft; a real one differs. Prove every change before it flies.")
}
