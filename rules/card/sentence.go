package card

import (
	"strings"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Wants returns what an inspection's value or a ground step's result must be.
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

// Judge reads a value as it was typed and says whether it keeps the limit. text is the value as it
// belongs on record. The error is a Fault without a place.
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

// ForCrew is the part of Conditions that Unmet does not hold against the facts:
// for the crew to see to. ownWind is Facts.OwnWind.
func (s *Step) ForCrew(ownWind bool) (out []string) {
	if s.Shown.HasWind && ownWind {
		out = append(out, s.CalmEnough()+", by the pad's own anemometer")
	}
	if s.Stand != nil {
		out = append(out, s.Stand.cautions()...)
	}
	return append(out, s.Also...)
}

// CalmEnough returns the wind that a step bears, in words.
func (s *Step) CalmEnough() string {
	return "wind at most " + rules.FormatExact(s.Shown.Wind, s.Shown.WindUnit)
}
