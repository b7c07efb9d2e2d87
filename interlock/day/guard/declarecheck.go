package guard

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// complete checks a declaration, fills in what follows from it, and says what it comes to.
func (d *declared) complete(x *session.Declaration, units string) (says string, err error) {
	given := *x
	*x = session.Declaration{What: given.What, By: given.By}
	switch given.What {
	case session.DeclaredStep:
		s, err := d.step(given.Step)
		if err != nil {
			return "", err
		}
		if s.Kind == card.Inspection {
			return "", fmt.Errorf("%q is an inspection: downhaul declare inspection %q VALUE INITIALS", s.Name, s.Name)
		}
		x.Step = s.Name
		return "step " + s.Name, nil
	case session.DeclaredPacks:
		x.Packs, err = d.packs(given.Packs)
		return "packs " + strings.Join(x.Packs, ", "), err
	case session.DeclaredWind:
		q, err := rules.ParseQuantity(given.Value, rules.Speed)
		if err != nil {
			return "", fmt.Errorf("the wind: %w", err)
		}
		if q.SI < 0 || q.SI > 75 { // ours: beyond any wind on record at the ground
			return "", fmt.Errorf("the wind must be from 0 to %s (got %q)", rules.Format(75, rules.DefaultUnit(rules.Speed, units)), given.Value)
		}
		x.Wind, x.Value = &q.SI, rules.FormatExact(q.SI, q.Unit)
		return "wind " + x.Value + ", not measured", nil
	case session.DeclaredAir:
		x.Value = given.Value
		_, err = card.ParseAir(given.Value)
		return "air " + given.Value + ", not measured", err
	case session.DeclaredInspection:
		return d.inspection(x, given)
	case session.DeclaredConfirm, session.DeclaredBallast, session.DeclaredSafe:
		return d.person(x, given)
	}
	return "", fmt.Errorf("nothing is called %q here; there are step, packs, wind, air, stop, inspection, confirm, ballast and safe", string(given.What))
}

// person checks what one person stands for with initials: the declared step, its ballast,
// or that the packs are out.
func (d *declared) person(x *session.Declaration, given session.Declaration) (says string, err error) {
	x.Step, x.Initials = given.Step, strings.TrimSpace(given.Initials)
	if err := session.Spoken("the initials", x.Initials, mostInitials); err != nil {
		return "", err
	}
	kind, what := rules.Mass, "the ballast"
	if x.What == session.DeclaredSafe {
		x.Step, kind, what = "", rules.Temperature, "the packs' temperature"
	} else if x.Step == "" {
		return "", errors.New("no step is declared yet: downhaul declare step")
	}
	if x.What == session.DeclaredConfirm {
		return fmt.Sprintf("%s, confirmed by %s", x.Step, x.Initials), nil
	}
	if x.What == session.DeclaredBallast || given.Value != "" {
		q, err := rules.ParseQuantity(given.Value, kind)
		if err == nil && kind == rules.Mass && q.SI < 0 {
			err = fmt.Errorf("must be 0 or more (got %q)", given.Value)
		}
		if err != nil {
			return "", fmt.Errorf("%s: %w", what, err)
		}
		x.Value = rules.FormatExact(q.SI, q.Unit)
		if kind == rules.Mass {
			x.BallastKg = &q.SI
			return fmt.Sprintf("ballast of %s, %s by %s", x.Step, x.Value, x.Initials), nil
		}
	}
	says = "made safe, packs out, by " + x.Initials
	if x.Value != "" {
		says += ", packs at " + x.Value
	}
	return says, nil
}

// step finds a step of the card.
func (d *declared) step(name string) (*card.Step, error) {
	if d.card == nil {
		return nil, errors.New("this guard was started without a test card: put card.toml beside the pad file, or start it with --card")
	}
	s, ok := d.card.Step(strings.TrimSpace(name))
	if !ok {
		var names []string
		for i := range d.card.Steps {
			names = append(names, d.card.Steps[i].Name)
		}
		return nil, fmt.Errorf("the test card has no step %q; it has: %s", name, strings.Join(names, ", "))
	}
	return s, nil
}

// packs checks the names of a pack set.
func (d *declared) packs(names []string) ([]string, error) {
	if n := len(names); n == 0 || n > mostPacks {
		return nil, fmt.Errorf("a pack set is 1 to %d names (got %d)", mostPacks, n)
	}
	var out []string
	for _, name := range names {
		name = strings.TrimSpace(name)
		if err := session.Spoken("a pack's name", name, mostValue); err != nil {
			return nil, err
		}
		if d.card != nil && len(d.card.Packs) > 0 {
			p, ok := d.card.Pack(name)
			if !ok {
				return nil, fmt.Errorf("the test card has no pack %q; add it there, or name one of its own", name)
			}
			name = p.Name
		}
		if slices.Contains(out, name) {
			return nil, fmt.Errorf("pack %q is named twice", name)
		}
		out = append(out, name)
	}
	return out, nil
}

// inspection holds a typed value against the card. One that does not keep its
// limit goes on record as well.
func (d *declared) inspection(x *session.Declaration, given session.Declaration) (says string, err error) {
	s, err := d.step(given.Step)
	if err != nil {
		return "", err
	}
	switch {
	case s.Kind == card.Flight:
		return "", fmt.Errorf("%q flies: it is in force once it was the step of a run", s.Name)
	case s.Stopping:
		return "", fmt.Errorf("%q is measured by openings under this guard, and nobody's word counts for it: declare the step, make them, and where the craft tells no rotor speed, downhaul declare stop TIME INITIALS", s.Name)
	case s.Measured:
		return "", fmt.Errorf("%q is measured, and nobody's word counts for it: end this guard and run downhaul tilt", s.Name)
	}
	x.Step, x.Initials, x.Value = s.Name, strings.TrimSpace(given.Initials), strings.TrimSpace(given.Value)
	if err := session.Spoken("the initials", x.Initials, mostInitials); err != nil {
		return "", err
	}
	if err := session.Spoken("the value", x.Value, mostValue); err != nil {
		return "", err
	}
	if x.Value, x.Passed, err = s.Limit.Judge(x.Value); err != nil {
		return "", fmt.Errorf("%s: %w", s.Name, err)
	}
	return fmt.Sprintf("%s, %s", s.Name, x.Value), nil
}

// cameTo returns what a result that was just taken comes to.
func (d *declared) cameTo(x *session.Declaration) string {
	s, _ := d.card.Step(x.Step)
	switch why := d.card.NotInForce(&d.facts, s.Name); {
	case !x.Passed:
		text := ": NOT GOOD ENOUGH, wanted " + s.Limit.Wants()
		if void := d.card.Voided(&d.facts, s.Name); len(void) > 0 {
			text += "; what rests on it must be passed anew after it: " + strings.Join(void, ", ")
		}
		return text
	case len(why) > 0:
		return ": not in force: " + strings.Join(why, "; ")
	case s.Lasts > 0:
		return ": in force for " + rules.FormatDuration(s.Lasts)
	}
	return ": in force"
}
