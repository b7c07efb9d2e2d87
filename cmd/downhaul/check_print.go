package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/before/hazard"
	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

func (c *checked) print(w io.Writer) {
	for i := range c.Files {
		if i > 0 {
			fmt.Fprintln(w)
		}
		c.Files[i].print(w, c.all)
	}
	if len(c.Unseen) > 0 {
		fmt.Fprintln(w, "\nThis set-up cannot see:")
		for _, u := range c.Unseen {
			wrap(w, "  - ", "    ", u.String())
		}
	}
	printHazards(w, c.Hazards, c.all)
	c.printHeld(w)
	for _, warning := range c.Warnings {
		fmt.Fprintln(w)
		wrap(w, "Warning: ", "  ", warning)
	}
	for i, note := range c.Notes {
		if c.all || i == 0 {
			fmt.Fprintln(w)
		}
		if !c.all {
			note = headline(note)
		}
		wrap(w, "Note: ", "  ", note)
	}
	fmt.Fprintln(w)
	if !c.all {
		wrap(w, "", "  ", "check --all says each of these whole, with what every number assumes.")
	}
	wrap(w, "", "  ", c.verdict())
}

// shortest is how much of a note stands at least before it is cut.
const shortest = 40

// headline is the first part of a note, up to where it explains itself.
func headline(note string) string {
	end := len(note)
	for _, mark := range []string{": ", ". "} {
		if i := strings.Index(note[min(shortest, len(note)):], mark); i >= 0 {
			end = min(end, shortest+i)
		}
	}
	return strings.TrimSuffix(note[:end], ".") + "."
}

// verdict is the last line.
func (c *checked) verdict() string {
	faults := 0
	for i := range c.Files {
		faults += len(c.Files[i].Faults)
	}
	switch c.Verdict {
	case refused:
		return fmt.Sprintf("Refused: %s and %s.", words.Count(faults, "fault"), words.Count(len(c.Warnings), "warning"))
	case warned:
		return fmt.Sprintf("Warned: no fault and %s.", words.Count(len(c.Warnings), "warning"))
	}
	return "Accepted: no fault and no warning."
}

func (f *checkedFile) print(w io.Writer, all bool) {
	what := string(f.Kind)
	if f.Kind == isNone {
		what = "of no known kind"
	}
	result := "no fault"
	if n := len(f.Faults); n > 0 {
		result = words.Count(n, "fault")
	}
	wrap(w, "", "  ", fmt.Sprintf("%s: %s, %s", f.File, what, result))
	if f.Title != "" {
		wrap(w, "  ", "  ", f.Title)
	}
	for _, x := range f.Faults {
		wrap(w, "  ", "      ", x.text)
	}
	if !all {
		f.printShort(w)
		return
	}
	if f.card != nil {
		f.printSketch(w)
	}
	if f.Kind != isEnvelope {
		wrapEach(w, "  ", "    ", f.Says)
	}
	for _, r := range f.Rules {
		rests := ""
		switch {
		case r.Without != "":
			rests = " CANNOT WORK HERE: nothing feeds it (" + r.Without + ")."
		case r.RestsOn != "":
			rests = " Rests on: " + r.RestsOn + "."
		}
		wrap(w, fmt.Sprintf("  %s: ", printable(r.Name)), "    ", r.Sentence+" "+r.reacts+rests)
	}
	for _, p := range f.Permissives {
		rests := ""
		if p.RestsOn != "" {
			rests = " Rests on: " + p.RestsOn + "."
		}
		wrap(w, "  start: ", "    ", p.Sentence+rests)
	}
	if f.Kind == isEnvelope {
		wrapEach(w, "  ", "    ", f.Says)
	}
}

// printShort prints an envelope as a table with the sentences that matter first, and of a
// card what its steps leave of the lift.
func (f *checkedFile) printShort(w io.Writer) {
	if len(f.Table) > 0 {
		fmt.Fprintln(w)
		printLimitTable(w, f.Table)
		for _, p := range f.Permissives {
			wrap(w, "  To start: ", "    ", strings.TrimPrefix(p.Sentence, "To start, "))
		}
	}
	wrapEach(w, "  ", "    ", f.First)
	if f.card == nil {
		return
	}
	wrap(w, "  ", "    ", fmt.Sprintf("Craft %s, %s ready to fly; %s on the card.", f.card.Craft.Name, f.card.Show(f.card.Craft.Mass, rules.Mass), words.Count(len(f.card.Steps), "step")))
	if steps := f.lifts(); len(steps) > 0 {
		wrap(w, "  Thrust over weight, ", "    ", strings.Join(steps, "; ")+".")
	}
}

// printLimitTable prints the limits of an envelope.
func printLimitTable(w io.Writer, limits []hazard.LimitRow) {
	heads, most := []string{"limit", "power off when", "caution", "delay"}, []int{16, 15, 8, 6}
	pad := slices.ContainsFunc(limits, func(r hazard.LimitRow) bool { return r.Off != "" })
	if pad {
		heads, most = append(heads, "within", "meanwhile"), append(most, 6, 0)
	}
	var rows [][]string
	craft := false
	for _, r := range limits {
		row := []string{r.Rule + pick(r.CraftOnly, " *", ""), r.Limit, r.Caution, r.Lasting}
		if pad {
			row = append(row, r.Off, r.Meanwhile)
		}
		rows, craft = append(rows, row), craft || r.CraftOnly
	}
	table(w, "  ", heads, most, rows)
	if craft {
		wrap(w, "  ", "    ", "* rests only on what the craft says of itself")
	}
}

// lifts is thrust over weight of each step that flies: by the stand's table, or what the
// card states.
func (f *checkedFile) lifts() (out []string) {
	add := func(step string, low, high float64) {
		out = append(out, fmt.Sprintf("%s: %s to %s", step, rounding.Number(low, 3, rounding.Down), rounding.Number(high, 3, rounding.Up)))
	}
	switch {
	case f.Sum != nil:
		for i := range f.Sum.Steps {
			s := &f.Sum.Steps[i]
			add(s.Step, s.Ratio.Low, s.Ratio.High)
		}
	case f.Lift != nil:
		for i := range f.Lift.Steps {
			s := &f.Lift.Steps[i]
			add(s.Step, s.Ratio.Low, s.Ratio.High)
		}
	}
	return out
}

// printSketch draws the motors of a card as they stand, seen from above.
func (f *checkedFile) printSketch(w io.Writer) {
	lines := sketch(f.card)
	if lines == nil {
		return
	}
	wrap(w, "  ", "    ", "Motors from above, by the numbers of their outputs:")
	for _, line := range lines {
		fmt.Fprintln(w, strings.TrimRight("    "+line, " "))
	}
}

// padSays is the pad file in sentences.
func padSays(p *pad.Pad) []string {
	show := func(v float64, k rules.Kind) string { return rules.Format(v, rules.DefaultUnit(k, p.Units)) }
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if p.Duty == interlock.Guard {
		say("Duty guard: the relay is held closed while everything is in order.")
	} else {
		say("Duty watch: the relay is never closed.")
	}
	say("Hears MAVLink system %d, component %d, and nobody else.", p.Craft.System, p.Craft.Component)
	for i, l := range p.LinkConfigs() {
		late := ""
		if d := p.Links[i].Delay; d > 0 {
			late = ", always late by " + rules.FormatDuration(d)
		}
		say("Link %q: %s%s", p.Links[i].Name, l, late)
	}
	if n := len(p.Height.Sources); n > 0 {
		names := make([]string, n)
		for i, id := range p.Height.Sources {
			names[i] = id.String()
		}
		say("Height from %s.", strings.Join(names, ", "))
	}
	if a := p.Height.MaxAcceleration; a > 0 {
		// 9.80665 m/s²: standard gravity.
		say("Full thrust is %.3g times the weight; a reaction takes %s, as the pad file states.", a/9.80665, rules.FormatDuration(p.Height.Reaction))
	}
	if p.Wind.Fitted {
		say("Own anemometer: %s and %s for each pulse a second.", show(p.Wind.Offset, rules.Speed), show(p.Wind.Slope, rules.Speed))
		if p.Board.Line("wind_loop").Fitted {
			say("Its wire is supervised: cut, the wind is missing at once.")
		} else {
			say("Its wire is not supervised: a calm looks like a cut wire. Before a start in a calm, turn it by hand; no pulse for a minute after a wind brings the craft down.")
		}
	}
	if p.Board.Kind == pad.GPIO {
		say("The chip of the emergency stop must report edges: the guard refuses another. Other inputs on a chip that reports none are read every 5 ms, which the guard says when it starts.")
	}
	if p.LoadCell.Fitted {
		say("Own load cell: %s a count, no load at count %d, %g readings a second.", show(p.LoadCell.NewtonsPerCount, rules.Force), p.LoadCell.Zero, p.LoadCell.Rate)
	} else if p.LoadCell.Winch {
		say("Tether tension as the craft's winch tells it.")
	}
	if p.Reach.How != "" {
		assumed := "as the pad file states"
		if !p.Reach.DelayStated {
			assumed = "assumed, for the pad file states no delay"
		}
		say("The relay reaches the rotors by %s: full thrust for up to %s after it opens, drop-out %s and delay %s (%s).", p.Reach.How,
			rules.FormatDuration(p.FullThrustAfter()), rules.FormatDuration(p.Contactor.DropOut), rules.FormatDuration(p.Reach.Delay), assumed)
	}
	if p.Proof.Required {
		say("A start is refused until the limits were proved for exactly these files (downhaul prove).")
	}
	if p.Stop.Proven {
		say("Timed by hand from relay open to rotors standing: %s (%s, %s, by %s). That proves no stop.", rules.FormatDuration(p.Stop.Time), p.Stop.Method, p.Stop.Date, p.Stop.By)
	}
	return out
}
