package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules/document"
)

// senses holds every envelope with every card against the pad file, and what there is
// of the three alone.
func (c *checked) senses(today time.Time) {
	var stop stopping.Times
	if c.pad != nil {
		stop, _ = c.stop()
	}
	envelopes, cards := []*checkedFile{{}}, []*checkedFile{{}}
	for i := range c.Files {
		switch f := &c.Files[i]; f.Kind {
		case isEnvelope:
			envelopes = append(envelopes, f)
		case isCard:
			cards = append(cards, f)
		}
	}
	for _, e := range envelopes[min(1, len(envelopes)-1):] {
		for _, k := range cards[min(1, len(cards)-1):] {
			refused, doubts := hazard.Look(&sense.Files{Pad: c.pad, Envelope: e.envelope, Card: k.card,
				PadFile: c.padFile, LimitFile: e.source, CardFile: k.source}, stop, c.heard, today)
			c.refused, c.doubts = append(c.refused, refused...), append(c.doubts, doubts...)
		}
	}
	for _, x := range pathDoubts(c.pad, c.padFile) {
		c.doubts = append(c.doubts, hazard.Finding{Fault: x})
	}
}

// conclude gives each file its faults and tells what may not be meant: each cause once.
// What the readers have refused is known already.
func (c *checked) conclude() {
	for i := range c.Files {
		c.Files[i].Faults = oneEach(c.Files[i].Faults)
	}
	var known []hazard.Place
	for i := range c.Files {
		for _, x := range c.Files[i].Faults {
			known = append(known, hazard.Place{File: c.Files[i].File, Line: x.Line})
		}
	}
	no, few := hazard.Promote(c.refused, append(c.doubts, c.judged...))
	for _, x := range no.Causes(known...) {
		for i := range c.Files {
			if c.Files[i].File == x.File {
				c.Files[i].add(document.Faults{x})
			}
		}
	}
	for _, x := range few.Split(append(known, no.Places()...)...) {
		c.Warnings = append(c.Warnings, warningOf(x))
		for _, y := range x.After {
			c.Consequences = append(c.Consequences, y.Error())
		}
	}
	c.Verdict = accepted
	if len(c.Warnings) > 0 {
		c.Verdict = warned
	}
	for i := range c.Files {
		f := &c.Files[i]
		slices.SortStableFunc(f.Faults, func(a, b fault) int { return a.Line - b.Line })
		if len(f.Faults) > 0 {
			c.Verdict = refused
		}
	}
}

// warningOf is a doubt with the places of what goes with it.
func warningOf(x hazard.Cause) string {
	var also []string
	for _, y := range x.After {
		if y.File == x.File && y.Line == x.Line {
			continue
		}
		at := fmt.Sprintf("line %d", y.Line)
		if y.File != x.File {
			at = fmt.Sprintf("%s:%d", y.File, y.Line)
		}
		if y.Key != "" {
			at = y.Key + " (" + at + ")"
		}
		if !slices.Contains(also, at) {
			also = append(also, at)
		}
	}
	if len(also) == 0 {
		return x.Error()
	}
	return x.Error() + ". It also upsets " + strings.Join(also, ", ")
}
