package report

import (
	"fmt"
	"slices"
	"strings"
)

// AfterNotRemoved is what is to be done when power was not known to be removed,
// first things first. Page and terminal say the same.
func AfterNotRemoved() []string {
	return []string{
		"Nobody goes in while power may still be on: use the hard-wired stop. Where that takes nothing off, land and disarm from the pilot's controls, and keep out until the rotors stand or the packs are empty.",
		"Then unplug the packs, before anything else is touched.",
		"Find out why, propellers off. A contactor that does not open is welded, bridged or miswired; downhaul commission tests the chain and names which.",
		"Do not fly again before it is known why, and the chain has passed its tests.",
	}
}

// readbackSilent is the note on a trip whose opening nobody read back.
const readbackSilent = "THE READBACK NEVER SAID OPEN"

// remains reports whether a decision leaves power where it must not be, or leaves
// nobody sure.
func remains(d *decision) bool {
	// A note of no line: it came on top of another fault.
	note := d.Kind == "note" && d.On && d.Line == ""
	return slices.Contains(notRemoved, d.Reason) && (d.Kind == "trip" || note || d.Kind == "state" && d.State == fault)
}

// stayedOn reports for each run after whose end power was not known to be removed
// that its end took no power off. What comes after the way back to blocked or to
// another start is no run's.
func (o *Session) stayedOn(e *events) {
	for i := range o.Runs {
		r := &o.Runs[i]
		if !r.Ended {
			continue
		}
		for j := range e.list {
			d := &e.list[j]
			if d.at() < r.end {
				continue
			}
			own := d.From == live || d.From == lowering // the move that ended the run
			if d.Kind == "state" && !own && (d.State == blocked || d.State == closing) {
				break
			}
			if !remains(d) {
				continue
			}
			r.How = strings.Replace(r.How, "power off", "power commanded off", 1)
			if !slices.ContainsFunc(notRemoved, func(reason string) bool { return strings.Contains(r.How, reason) }) {
				r.How += "; POWER NOT REMOVED, told at " + o.When(seconds(d.at()))
			}
			r.Doubts = append(r.Doubts, "power may have stayed on after this run's end: its extremes count to that end only, and the craft may have gone past them")
			break
		}
	}
}

// witnessed adds to each time that power was not known to be removed what the
// readback told of the opening before it: the newest up to then, whatever brought
// it about.
func (o *Session) witnessed(readback bool) {
	for i := range o.NotRemoved {
		n := &o.NotRemoved[i]
		var last *Opening
		for j := range o.Openings {
			if op := &o.Openings[j]; op.At.Value <= n.At.Value {
				last = op
			}
		}
		switch {
		case last == nil || !readback:
		case last.DropOut == nil:
			n.Says += ". The readback never said open after the opening at " + o.When(last.At)
		case last.At.Value+last.DropOut.Value <= n.At.Value:
			n.Says += fmt.Sprintf(". After the opening at %s the readback said open %s later, so rotors or current told otherwise, or it closed again",
				o.When(last.At), Took(last.DropOut))
		}
	}
}
