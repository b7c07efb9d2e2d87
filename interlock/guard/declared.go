package guard

import (
	"fmt"
	"slices"

	"downhaul/rules"
	"downhaul/rules/card"
)

// Declared is what was declared and what the test card asks, for people and
// pages.
type Declared struct {
	// Card is the title of the test card, empty without one; Craft its craft.
	Card  string   `json:"card"`
	Craft string   `json:"craft"`
	Step  string   `json:"step"`
	Packs []string `json:"packs"`
	// Wind is a reading by hand: declared, not measured. Null before one was
	// made, and after ten minutes.
	Wind *DeclaredWind `json:"wind"`
	// Asks is what the card still asks before a start; Conditions what it asks
	// the crew to see to, which no guard can hold.
	Asks       []string `json:"asks"`
	Conditions []string `json:"conditions"`
	// Says is what a declaration came to; empty in a status.
	Says string `json:"says,omitempty"`
}

// DeclaredWind is a wind that was read by hand.
type DeclaredWind struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Text  string  `json:"text"`
	AgeS  float64 `json:"age_s"`
	LeftS float64 `json:"left_s"`
	// Says is always "declared, not measured".
	Says string `json:"says"`
}

// showDeclared is what was declared, for people and pages.
func (g *Guard) showDeclared() Declared {
	d := &g.declared
	now := g.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	out := Declared{Packs: slices.Clone(d.facts.Packs), Asks: slices.Clone(d.asking()), Conditions: []string{}, Step: d.facts.Step}
	if out.Packs == nil {
		out.Packs = []string{}
	}
	if out.Asks == nil {
		out.Asks = []string{}
	}
	if age := now - d.facts.WindAt; d.facts.HasWind && age <= card.WindLasts {
		out.Wind = &DeclaredWind{Value: d.facts.Wind, Unit: rules.SIUnit(rules.Speed), Text: d.value,
			AgeS: age.Seconds(), LeftS: (card.WindLasts - age).Seconds(), Says: "declared, not measured"}
	}
	if d.card == nil {
		return out
	}
	out.Card, out.Craft = d.card.Title, d.card.Craft.Name
	if out.Card == "" {
		out.Card = out.Craft
	}
	if s, ok := d.card.Step(d.facts.Step); ok && d.facts.Step != "" {
		out.Conditions = append(out.Conditions, s.ForCrew(d.facts.OwnWind)...)
	}
	return out
}

// openingCard is what is to be said of the card at the start.
func (g *Guard) openingCard() []string {
	d := &g.declared
	if d.card == nil {
		return []string{"downhauld: no test card: no step, pack set or inspection is asked for before a start"}
	}
	lines := []string{fmt.Sprintf("downhauld: test card for %s: a start wants a declared step", d.card.Craft.Name)}
	for _, err := range d.early {
		lines = append(lines, "downhauld: "+err.Error())
	}
	return lines
}
