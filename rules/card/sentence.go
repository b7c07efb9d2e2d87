package card

import (
	"fmt"
	"strings"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Wants says what an inspection's value or a ground step's result must be.
func (l *Limit) Wants() string {
	switch l.Form {
	case AtLeast:
		return "at least " + rules.FormatExact(l.Value, l.Unit)
	case AtMost:
		return "at most " + rules.FormatExact(l.Value, l.Unit)
	}
	if l.Pass != "" {
		return "pass: " + l.Pass
	}
	return "pass"
}

// Judge reads a value as it was typed and says whether it keeps the limit.
// text is the value as it belongs on record. The error is a Fault without a
// place.
func (l *Limit) Judge(typed string) (text string, keeps bool, err error) {
	if l.Form == Passes {
		switch word := strings.ToLower(strings.TrimSpace(typed)); word {
		case "pass", "fail":
			return word, word == "pass", nil
		}
		return "", false, document.Fault{Wrong: `the result is "pass" or "fail"`, Got: document.Quote(typed), Mend: "pass means: " + l.meaning()}
	}
	q, err := rules.ParseQuantity(typed, l.Kind)
	if err != nil {
		return "", false, err
	}
	return rules.FormatExact(q.SI, q.Unit), l.Form == AtLeast && q.SI >= l.Value || l.Form == AtMost && q.SI <= l.Value, nil
}

func (l *Limit) meaning() string {
	if l.Pass == "" {
		return "it went as it should"
	}
	return l.Pass
}

// Says is the step in one sentence, without its number; c is its card.
func (s *Step) Says(c *Card) string {
	var b strings.Builder
	b.WriteString(s.Name + ": ")
	switch s.Kind {
	case Ground:
		b.WriteString("on the ground")
	case Inspection:
		b.WriteString("inspection")
	default:
		fmt.Fprintf(&b, "%s of ballast, %s in all", c.Show(s.Ballast, rules.Mass), c.Show(c.Craft.Mass+s.Ballast, rules.Mass))
	}
	if s.How != "" {
		b.WriteString("; " + s.How)
	}
	if s.Kind != Flight {
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
	if s.Kind == Flight && s.Output < 1 {
		b.WriteString("; motor output up to " + rules.Format(s.Output, "%"))
	}
	if first := s.Before(); len(first) > 0 {
		b.WriteString("; first: " + strings.Join(first, ", "))
	}
	if s.Envelope != "" {
		b.WriteString("; limits of " + s.Envelope)
	}
	return b.String() + "."
}

// Before is what must be in force or have been shown before the step, in plain
// words, in the order of the card.
func (s *Step) Before() []string {
	out := append([]string(nil), s.Needs...)
	return append(out, s.Conditions()...)
}

// Conditions is what must have been shown before the step beside its needs, in
// plain words.
func (s *Step) Conditions() []string {
	out := s.fromReport()
	w := &s.Shown
	if w.NoTrips {
		out = append(out, "no trip in the last run")
	}
	if w.HasWind {
		out = append(out, s.wind())
	}
	if len(w.Packs) > 0 {
		out = append(out, "packs "+document.List(w.Packs, "or"))
	}
	return append(out, s.Also...)
}

// ForCrew is the part of Conditions that Unmet does not hold against the facts:
// for the crew to see to. ownWind is Facts.OwnWind.
func (s *Step) ForCrew(ownWind bool) (out []string) {
	if s.Shown.HasWind && ownWind {
		out = append(out, s.wind()+", by the pad's own anemometer")
	}
	return append(out, s.Also...)
}

func (s *Step) wind() string {
	return "wind at most " + rules.FormatExact(s.Shown.Wind, s.Shown.WindUnit)
}

func (s *Step) fromReport() (out []string) {
	if d := s.Shown.Hover; d > 0 {
		out = append(out, "a steady hover of "+rules.FormatDuration(d)+" at the step before")
	}
	if s.Shown.HasReserve {
		out = append(out, "lift reserve of "+rules.FormatExact(s.Shown.Reserve, "%")+" in the last report")
	}
	return out
}
