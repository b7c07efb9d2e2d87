package pad

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Card is a test card: the craft and the steps by which its load grows.
type Card struct {
	Version int
	Title   string
	// Craft is the craft's name.
	Craft string
	// Mass is the mass of the craft ready to fly without ballast, kg.
	Mass  float64
	Steps []CardStep
	// Hash is the SHA-256 of the file's bytes.
	Hash [32]byte
}

// CardStep is one step of the card.
type CardStep struct {
	Name string
	// Ballast is added to the craft's mass, kg; 0 for a ground step.
	Ballast float64
	// Ground says that the step is done without flying.
	Ground bool
	// Needs is what must have been shown before it: names of earlier steps, or
	// inspections in the crew's own words.
	Needs []string
	// Envelope is the file of the step's own limits; empty for those of the
	// day.
	Envelope string
	Line     int
}

// ReadCard reads a test card. Either the card is complete and there is no
// fault, or it is nil and every fault is listed by line.
func ReadCard(file string, text []byte) (*Card, document.Faults) {
	d := document.Parse(file, text)
	root := d.Root()
	c := &Card{Version: rules.FileVersion, Hash: sha256.Sum256(text)}
	rules.CheckVersion(root)
	c.Title, _ = root.Note("title")
	craft := root.Table("craft")
	c.Craft, _ = craft.Name("name")
	if !craft.Has("name") {
		craft.Missing("name", "missing", `write the craft's name under [craft]`)
	}
	c.Mass, _ = over0(craft, "mass", rules.Mass)
	if !craft.Has("mass") {
		craft.Missing("mass", "missing", `write the mass ready to fly, without ballast: mass = "31 kg"`)
	}
	rows := root.Rows("step")
	if len(rows) == 0 {
		root.Missing("step", "no [[step]]: the card names nothing to do", "write at least one step")
	}
	for _, t := range rows {
		c.readStep(t)
	}
	c.checkOrder(rows)
	if faults := d.Faults(); len(faults) > 0 {
		return nil, faults
	}
	return c, nil
}

func (c *Card) readStep(t *document.Table) {
	s := CardStep{Line: t.Line()}
	name, ok := t.Name("name")
	if !ok && !t.Has("name") {
		t.Missing("name", "missing", `write a short name: name = "ballast 10 kg"`)
	}
	s.Name = name
	if before, taken := c.Step(name); ok && taken {
		t.Fault("name", "two steps have this name", document.Quote(name), fmt.Sprintf("rename one; the other is on line %d", before.Line))
	}
	if kind, given := t.Choice("kind", "ground", "flight"); given {
		s.Ground = kind == "ground"
	}
	s.Ballast, _ = from0(t, "ballast", rules.Mass)
	switch {
	case s.Ground && t.Has("ballast"):
		t.Fault("ballast", "a ground step lifts none", t.Got("ballast"), "take it out")
	case !s.Ground && !t.Has("ballast"):
		t.Missing("ballast", "missing", `write what is added to the craft, "0 kg" for none, or kind = "ground"`)
	}
	s.Needs, _ = t.Strings("needs")
	s.Envelope, _ = t.Note("envelope")
	c.Steps = append(c.Steps, s)
}

// checkOrder refuses a step that needs itself or a later one.
func (c *Card) checkOrder(rows []*document.Table) {
	for i, s := range c.Steps {
		for _, need := range s.Needs {
			for _, later := range c.Steps[i:] {
				if later.Name != "" && strings.EqualFold(need, later.Name) {
					rows[i].Fault("needs", "a step cannot need itself or a later one", document.Quote(need), "name earlier steps, or an inspection in your own words")
				}
			}
		}
	}
}

// Step finds a step by name, whatever the case of its letters.
func (c *Card) Step(name string) (CardStep, bool) {
	for _, s := range c.Steps {
		if strings.EqualFold(s.Name, name) {
			return s, true
		}
	}
	return CardStep{}, false
}
