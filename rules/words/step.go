package words

import (
	"fmt"
	"math"
	"strings"

	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// Step returns a step in one sentence, without its number; c is its card.
func Step(s *card.Step, c *card.Card) string {
	var b strings.Builder
	b.WriteString(s.Name + ": ")
	switch {
	case s.Stand != nil:
		rpm, tips := rules.Format(s.Stand.MaxSpeed, "rpm"), math.Pi*s.Stand.Propeller*s.Stand.MaxSpeed
		fmt.Fprintf(&b, "on the thrust stand, motor %d with a propeller of %s, never past its maker's %s (tips %s)",
			s.Stand.Motor, c.Show(s.Stand.Propeller, rules.Length), rpm, rules.Format(math.Round(tips), rules.DefaultUnit(rules.Speed, c.Units)))
	case s.Kind == card.Ground:
		b.WriteString("on the ground")
	case s.Kind == card.Inspection:
		b.WriteString("inspection")
	default:
		fmt.Fprintf(&b, "%s of ballast, %s in all", c.Show(s.Ballast, rules.Mass), c.Show(c.Craft.Mass+s.Ballast, rules.Mass))
	}
	if s.How != "" {
		b.WriteString("; " + s.How)
	}
	if s.Kind != card.Flight {
		switch {
		case s.Measured:
			b.WriteString("; measured by downhaul tilt")
		case s.Stopping:
			fmt.Fprintf(&b, "; the stop, measured by openings under the guard, held by %s with an anchor of %s", c.Show(s.TieDown, rules.Force), c.Show(s.Anchor, rules.Force))
		default:
			b.WriteString("; " + s.Limit.Wants())
		}
		if s.Lasts > 0 {
			b.WriteString("; counts for " + rules.FormatDuration(s.Lasts))
		}
		if s.TieDownPull > 0 {
			b.WriteString("; the tie-down pulls at least " + c.Show(s.TieDownPull, rules.Force))
		}
	}
	if s.Every > 0 {
		b.WriteString("; due again after " + rules.FormatDuration(s.Every) + " with power on")
	}
	if s.BallastWithin > 0 {
		b.WriteString("; ballast weighed, to within " + c.Show(s.BallastWithin, rules.Mass))
	}
	if s.ConfirmedBy > 0 {
		fmt.Fprintf(&b, "; confirmed by %d persons", s.ConfirmedBy)
	}
	if s.Kind == card.Flight && s.Output < 1 {
		b.WriteString("; motor output up to " + rules.Format(s.Output, "%"))
	}
	if first := before(s); len(first) > 0 {
		b.WriteString("; first: " + strings.Join(first, ", "))
	}
	if s.Envelope != "" {
		b.WriteString("; limits of " + s.Envelope)
	}
	return b.String() + "."
}

// before returns what must be in force or have been shown before the step, in plain
// words, in the order of the card.
func before(s *card.Step) []string {
	out := append([]string(nil), s.Needs...)
	return append(out, Conditions(s)...)
}

// Conditions returns what must have been shown before the step beside its needs, in
// plain words.
func Conditions(s *card.Step) []string {
	out := fromReport(s)
	w := &s.Shown
	if w.NoTrips {
		out = append(out, "no trip in the last run")
	}
	if w.HasWind {
		out = append(out, s.CalmEnough())
	}
	if len(w.Packs) > 0 {
		out = append(out, "packs "+document.List(w.Packs, "or"))
	}
	return append(out, s.Also...)
}

func fromReport(s *card.Step) (out []string) {
	if d := s.Shown.Hover; d > 0 {
		out = append(out, "a steady hover of "+rules.FormatDuration(d)+" at the step before")
	}
	if s.Shown.HasReserve {
		out = append(out, "lift reserve of "+rules.FormatExact(s.Shown.Reserve, "%")+" in the last report")
	}
	return out
}
