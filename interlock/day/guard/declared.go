package guard

import (
	"slices"
	"strings"

	"downhaul/interlock/day/answers"
	"downhaul/rules"
	"downhaul/rules/card"
)

// showDeclared is what was declared, for people and pages.
func (g *Guard) showDeclared() answers.Declared {
	d := &g.declared
	now := g.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	out := answers.Declared{Packs: slices.Clone(d.facts.Packs), Asks: slices.Clone(d.asking()), Conditions: []string{}, Step: d.facts.Step, Air: d.air}
	if out.Packs == nil {
		out.Packs = []string{}
	}
	if out.Asks == nil {
		out.Asks = []string{}
	}
	if age := d.begin + now - d.facts.WindAt; d.facts.HasWind && age <= card.WindLasts {
		out.Wind = &answers.DeclaredWind{Value: d.facts.Wind, Unit: rules.SIUnit(rules.Speed), Text: d.value,
			AgeS: age.Seconds(), LeftS: (card.WindLasts - age).Seconds(), Says: "declared, not measured"}
	}
	if d.card == nil {
		return out
	}
	if d.facts.Fell != 0 {
		out.KeepOut = d.card.AfterFall(d.begin+now, d.facts.Fell)
	}
	out.Card, out.Craft = d.card.Title, d.card.Craft.Name
	if out.Card == "" {
		out.Card = out.Craft
	}
	if f := d.facts.Forecast; f != nil {
		if i := slices.IndexFunc(f.Reserves, func(r card.Reserve) bool { return strings.EqualFold(r.Step, d.facts.Step) }); i >= 0 {
			out.Foreseen = &f.Reserves[i]
		}
	}
	if s, ok := d.card.Step(d.facts.Step); ok && d.facts.Step != "" {
		out.Conditions = append(out.Conditions, s.ForCrew(d.facts.OwnWind)...)
	}
	return out
}

// words returns for each step of the card in a word or two whether its result counts now.
func (d *declared) words() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.card == nil {
		return nil
	}
	return d.card.Words(&d.facts)
}
