package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
	"downhaul/rules/card"
)

// tellWrong warns of what the pad file takes although it was heard to contradict what
// the craft says beside it: a guard would count it as missing, and a start would wait for it.
func (c *checked) tellWrong() {
	for _, row := range c.wrong {
		says := fmt.Sprintf("%s was heard to be wrong: %s. ", row.Channel, row.Cause)
		ch, _ := rules.Lookup(row.Channel)
		if c.pad != nil && slices.Contains(c.pad.Derived().Needs(rules.Climb), ch.ID) {
			c.Warnings = append(c.Warnings, says+"A guard counts it as missing.")
		} else {
			c.Notes = append(c.Notes, says+"This pad file does not take it.")
		}
	}
}

// stop is what is known of the time after the relay's opening.
func (c *checked) stop() (stopping.Times, float64) {
	craft := ""
	if c.card != nil {
		craft = c.card.Craft.Name
	}
	return stopKnown(c.pad, craft)
}

// stopKnown is what counts on a pad by the records in its log folder. Those that cannot
// be read prove nothing.
func stopKnown(p *pad.Pad, craft string) (stopping.Times, float64) {
	var records stopping.Tally
	if !p.Board.Kind.Models() {
		var trouble []error
		if records, trouble = records.ReadOn(p.LogFolder); len(trouble) > 0 {
			records.Unproven()
		}
	}
	return records.Known(p, craft)
}

// stopWarnings reports for which steps the stop was not measured.
func (c *checked) stopWarnings() {
	t, upTo := c.stop()
	if !t.Rotors.Measured {
		c.Notes = append(c.Notes, fmt.Sprintf("the stop was not measured: the rotors count as standing %s after the relay's opening (stated, not measured), and only ground steps may start",
			rules.FormatDuration(t.Rotors.Standing)))
		return
	}
	if c.card == nil {
		return
	}
	for i := range c.card.Steps {
		if s := &c.card.Steps[i]; s.Kind == card.Flight && s.Output > upTo {
			c.Notes = append(c.Notes, fmt.Sprintf("the stop was measured from %s of output, and step %q needs %s: it does not start before a stop test from there", rules.Format(upTo, "%"), s.Name, rules.Format(s.Output, "%")))
		}
	}
}

// printHazards prints who would see what.
func printHazards(w io.Writer, hazards []hazard.Hazard, all bool) {
	craftOnly, unseen := hazard.SayHazards(hazards)
	if !all {
		if len(unseen) > 0 {
			fmt.Fprintln(w)
			wrap(w, "For the observer and the emergency stop, since no rule acts on it: ", "  ", strings.Join(unseen, "; ")+".")
		}
		return
	}
	list(w, "\nRests only on what the craft says of itself:", craftOnly)
	list(w, "\nNo rule acts on these; they are for the observer and the emergency stop:", unseen)
}
