package guard

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// complete checks a declaration and fills in what follows from it.
func (d *declared) complete(x *session.Declaration, units string) error {
	*x = session.Declaration{What: x.What, Step: x.Step, Packs: x.Packs, Value: strings.TrimSpace(x.Value), Initials: strings.TrimSpace(x.Initials), By: x.By}
	switch x.What {
	case session.DeclaredStep:
		s, err := d.step(x.Step)
		if err != nil {
			return err
		}
		if s.Kind == card.Inspection {
			return fmt.Errorf("%q is an inspection: downhaul declare inspection %q VALUE INITIALS", s.Name, s.Name)
		}
		*x = session.Declaration{What: x.What, Step: s.Name, By: x.By}
	case session.DeclaredPacks:
		packs, err := d.packs(x.Packs)
		*x = session.Declaration{What: x.What, Packs: packs, By: x.By}
		return err
	case session.DeclaredWind:
		q, err := rules.ParseQuantity(x.Value, rules.Speed)
		if err != nil {
			return fmt.Errorf("the wind: %w", err)
		}
		if q.SI < 0 || q.SI > 75 { // ours: beyond any wind on record at the ground
			return fmt.Errorf("the wind must be from 0 to %s (got %q)", rules.Format(75, rules.DefaultUnit(rules.Speed, units)), x.Value)
		}
		*x = session.Declaration{What: x.What, Wind: &q.SI, Value: rules.FormatExact(q.SI, q.Unit), By: x.By}
	case session.DeclaredInspection:
		return d.inspection(x)
	default:
		return fmt.Errorf("nothing is called %q here; there are step, packs, wind and inspection", string(x.What))
	}
	return nil
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
		if err := spoken("a pack's name", name, mostValue); err != nil {
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

// inspection holds a typed value against the card.
func (d *declared) inspection(x *session.Declaration) error {
	s, err := d.step(x.Step)
	if err != nil {
		return err
	}
	if s.Kind == card.Flight {
		return fmt.Errorf("%q flies: it is in force once it was the step of a run", s.Name)
	}
	if err := spoken("the initials", x.Initials, mostInitials); err != nil {
		return err
	}
	if err := spoken("the value", x.Value, mostValue); err != nil {
		return err
	}
	text, keeps, err := s.Limit.Judge(x.Value)
	if err != nil {
		return fmt.Errorf("%s: %w", s.Name, err)
	}
	*x = session.Declaration{What: x.What, Step: s.Name, Value: text, Passed: keeps, Initials: x.Initials, By: x.By}
	return nil
}
