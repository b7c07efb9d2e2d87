package card

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"downhaul/rules"
	"downhaul/rules/document"
)

func lineText(n int) string { return strconv.Itoa(n) }

var stepKeys = strings.Fields("how needs also measured_by lasts ballast output hover no_trips reserve wind packs envelope envelope_sha256 tie_down anchor tie_down_pull at_least at_most pass motor propeller max_speed every confirmed_by ballast_within")

func (c *Card) readStep(t *document.Table) {
	s := Step{Line: t.Line()}
	name, ok := t.Name("name")
	t.Need("name", "missing", `write a short name: name = "ballast 10 kg"`)
	s.Name = name
	if before, taken := c.Step(name); ok && taken {
		t.Fault("name", "two steps have this name", document.Quote(name), "rename one; the other is on line "+lineText(before.Line))
	}
	kind, known := t.Choice("kind", "ground", "inspection", "stand", "flight")
	if t.Has("kind") && !known {
		for _, key := range stepKeys { // what fits a kind that is none is not known
			t.Has(key)
		}
		s.Ballast = float64(-s.Line) // one of its own: no step after it lacks ballasts by this
		c.Steps = append(c.Steps, s)
		return
	}
	if s.Kind = kinds[kind]; kind == "stand" {
		s.Stand = readStand(t)
	} else {
		t.Forbid("only a step on the thrust stand has it", `take it out, or write kind = "stand"`, "motor", "propeller", "max_speed")
	}
	s.How, _ = t.Note("how")
	s.Needs, _ = t.Strings("needs")
	s.Also, _ = t.Strings("also")
	s.readFlight(t)
	s.readLimit(t)
	if by, ok := t.Choice("measured_by", "tilt", "stop"); ok && s.Kind == Ground {
		s.Measured, s.Stopping = by == "tilt", by == "stop"
	} else if ok {
		t.Fault("measured_by", "only a ground step is measured", t.Got("measured_by"), `take it out, or write kind = "ground"`)
	}
	if d, ok := rules.DurationAt(t, "lasts"); ok {
		t.FaultIf(d == 0, "lasts", "must be more than 0", `write how long the result counts: lasts = "1 d"`)
		s.Lasts = d
	}
	if d, ok := rules.DurationAt(t, "every"); ok {
		t.FaultIf(d == 0, "every", "must be more than 0", `write how much time with power on the result counts for: every = "2 h"`)
		t.FaultIf(s.Kind != Inspection, "every", "only an inspection comes due by hours", `take it out, or write kind = "inspection"`)
		s.Every = d
	}
	s.ConfirmedBy, _ = t.Int("confirmed_by", 2, 4)
	t.FaultIf(s.Kind == Inspection && t.Has("confirmed_by"), "confirmed_by", "an inspection is never the step in force", "take it out; its own initials are asked for")
	switch {
	case s.Kind == Flight && t.Has("lasts"):
		t.Fault("lasts", "what flew does not lapse", t.Got("lasts"), `take it out, or write kind = "inspection"`)
	case s.Kind == Inspection && !t.Has("lasts") && !t.Has("every"):
		t.Missing("lasts", "missing", `write how long an inspection counts: lasts = "1 d", or how much time with power on: every = "2 h"`)
	}
	c.Steps = append(c.Steps, s)
}

// readFlight reads what only a step that flies has.
func (s *Step) readFlight(t *document.Table) {
	s.Ballast, _ = rules.NotNegativeAt(t, "ballast", rules.Mass)
	if s.Kind != Flight {
		own := s.Kind == Ground // a ground step runs under the guard as well
		t.Forbid("only a step that flies lifts any", "take it out", "ballast", "ballast_within")
		t.Forbid("only a step that flies has it", "take it out", "output", "hover", "no_trips", "reserve", "wind")
		s.Shown.Packs, _ = t.Strings("packs")
		t.FaultIf(len(s.Shown.Packs) > 0 && (own || len(s.Shown.Packs) > 1 || !t.Has("every")), "packs", "only a step that flies has several, and an inspection that comes due by hours the one that it is about",
			`write one inspection for each: packs = ["A"] and every = "5 h"`)
		if own {
			s.Envelope, s.EnvelopeHash = fileAt(t, "envelope", "envelope_sha256")
			s.readTieDown(t)
		} else {
			t.Forbid("only a step that flies has it", "take it out", "envelope", "envelope_sha256")
		}
		return
	}
	t.Forbid("only a ground step is tied down", `take it out, or write kind = "ground"`, "tie_down_pull", "tie_down", "anchor")
	s.Output = 1
	if v, ok := rules.PositiveAt(t, "output", rules.Ratio); ok {
		s.Output = v
		t.FaultIf(v > 1, "output", "is more than full output", `write the highest motor output that the step needs: output = "80 %"`)
	}
	t.Need("ballast", "missing", `write what is added to the craft, "0 kg" for none, or kind = "ground" or "inspection"`)
	s.BallastWithin, _ = rules.PositiveAt(t, "ballast_within", rules.Mass)
	t.FaultIf(s.BallastWithin > 0 && s.Ballast == 0, "ballast_within", "there is no ballast to weigh", "take it out")
	if d, ok := rules.DurationAt(t, "hover"); ok {
		s.Shown.Hover = d
	}
	s.Shown.NoTrips, _ = t.Bool("no_trips")
	s.Shown.Reserve, s.Shown.HasReserve = rules.NotNegativeAt(t, "reserve", rules.Ratio)
	if s.Shown.Wind, s.Shown.HasWind = rules.PositiveAt(t, "wind", rules.Speed); s.Shown.HasWind {
		q, _ := rules.QuantityAt(t, "wind", rules.Speed)
		s.Shown.WindUnit = q.Unit
	}
	s.Shown.Packs, _ = t.Strings("packs")
	s.Envelope, s.EnvelopeHash = fileAt(t, "envelope", "envelope_sha256")
}

// mostPull is what a host event can tell, and more than any load cell here reads.
const mostPull = 1e6

// readTieDown reads what the tie-down must keep while the step runs.
func (s *Step) readTieDown(t *document.Table) {
	s.TieDown, _ = rules.PositiveAt(t, "tie_down", rules.Force)
	s.Anchor, _ = rules.PositiveAt(t, "anchor", rules.Force)
	if s.TieDownPull, _ = rules.PositiveAt(t, "tie_down_pull", rules.Force); s.TieDownPull > mostPull {
		t.Fault("tie_down_pull", "is more than any load cell here reads", t.Got("tie_down_pull"), "write the least that it reads while the craft stands tied down")
	}
}

// fileAt reads the name of another file, and under hashKey the hash of its bytes.
func fileAt(t *document.Table, key, hashKey string) (name string, hash [32]byte) {
	name, _ = t.Note(key)
	text, ok := t.String(hashKey)
	switch {
	case !t.Has(key) && ok:
		t.Fault(hashKey, "there is no "+key+" beside it", document.Quote(text), "name the file: "+key+` = "…"`)
		return name, hash
	case t.Has(key) && !t.Has(hashKey):
		t.Missing(hashKey, "missing: nobody could tell whether the file is still the one that was agreed",
			"write the 64 digits that sha256sum prints for the file; check prints them too")
		return name, hash
	case !ok:
		return name, hash
	}
	sum, err := hex.DecodeString(text)
	if err != nil || len(sum) != len(hash) {
		t.Fault(hashKey, "is no SHA-256", document.Quote(text), "write the 64 digits that sha256sum prints for the file")
		return name, hash
	}
	return name, [32]byte(sum)
}

// readLimit reads what an inspection's value must keep.
func (s *Step) readLimit(t *document.Table) {
	given := 0
	for form, key := range [...]string{AtLeast: "at_least", AtMost: "at_most"} {
		if key == "" || !t.Has(key) {
			continue
		}
		given++
		q, ok := anyQuantity(t, key)
		if !ok {
			continue
		}
		s.Limit.Form, s.Limit.Kind, s.Limit.Value, s.Limit.Unit = Form(form), q.Kind, q.SI, q.Unit
	}
	s.Limit.Pass, _ = t.Note("pass")
	switch s.Kind {
	case Flight:
		t.Forbid("a flight has no value to type in", `take it out, or write kind = "inspection"`, "at_least", "at_most", "pass")
		return
	case Ground:
		t.Forbid("a ground step is passed or not", `take it out, or write kind = "inspection"`, "at_least", "at_most")
		return
	}
	if t.Has("pass") {
		given++
	}
	switch {
	case given == 0:
		t.Missing("pass", "missing: nobody could tell a good value from a bad one",
			`write at_least = "40 mm", at_most = "2 mm", or pass = "what must be so"`)
	case given > 1:
		t.Fault("name", "has more than one limit", document.Quote(s.Name), "keep one of at_least, at_most and pass, and make two inspections of it")
	}
}

// anyQuantity is a quantity whose unit says its kind.
func anyQuantity(t *document.Table, key string) (rules.Quantity, bool) {
	text, ok := t.String(key)
	if !ok {
		return rules.Quantity{}, false
	}
	kind, ok := rules.KindOf(text)
	if !ok {
		t.Fault(key, "is no number with a unit that is known", document.Quote(text), `write such as "40 mm", "12 N" or "2 deg"`)
		return rules.Quantity{}, false
	}
	return rules.QuantityAt(t, key, kind)
}

// checkStopping wants a stop test to say what holds the craft, for twice the full
// thrust of all motors, and to have limits of its own.
func (c *Card) checkStopping(s *Step, t *document.Table) {
	full := float64(float64(c.Motors.Count) * c.Motors.Thrust)
	if c.Motors.Thrust == 0 { // a count that is missing is told there
		t.Fault("measured_by", "nobody could tell what must hold the craft: the card states no thrust", t.Got("measured_by"),
			"write [motors] count with thrust, or with a [motors.rig], so that tie-down and anchor can be held against it")
	}
	for _, held := range []struct {
		key, what string
		n         float64
	}{{"tie_down", "the tie-down", s.TieDown}, {"anchor", "its anchor", s.Anchor}} {
		switch {
		case !t.Has(held.key):
			t.Missing(held.key, "missing: the craft runs up to full thrust here", fmt.Sprintf("write what %s holds, twice full thrust or more: %s = \"%s\"", held.what, held.key, c.Show(max(2*full, 1), rules.Force)))
		case held.n > 0 && held.n < 2*full*(1-1e-9): // units leave crumbs in the last digits
			t.Fault(held.key, "is less than twice the full thrust of all motors", t.Got(held.key), fmt.Sprintf("%s must hold %s or more, if count and thrust under [motors] are right", held.what, c.Show(2*full, rules.Force)))
		}
	}
	if s.Envelope == "" && !t.Has("envelope") {
		t.Missing("envelope", "missing: a step on the ground has limits of its own, without craft.apex", `name the file: envelope = "ground.toml", and its envelope_sha256`)
	}
}

// checkNames refuses needs and packs that name nothing, and a step that needs
// itself or a later one.
func (c *Card) checkNames(rows []*document.Table) {
	for i := range c.Steps {
		s := &c.Steps[i]
		if s.Stopping {
			c.checkStopping(s, rows[i])
		}
		if s.Stand != nil && c.Motors.Count != 1 { // an opening there would pass for one of the craft's motors
			rows[i].Fault("kind", "a thrust stand has one motor, and the card's craft has not", rows[i].Got("kind"), "give the stand a card and a pad file of its own, with count = 1 under [motors]")
		}
		var earlier []string
		for j := range i {
			earlier = append(earlier, c.Steps[j].Name)
		}
		for n, need := range s.Needs {
			before, ok := c.Step(need)
			switch {
			case !ok:
				mend := document.Nearest(need, earlier)
				if !strings.HasPrefix(mend, "did you mean") {
					mend = `name an earlier step, add one with kind = "inspection", or write it under also = ["…"]`
				}
				rows[i].Fault("needs", "no step has this name", document.Quote(need), mend)
			case before.Line >= s.Line:
				rows[i].Fault("needs", "a step cannot need itself or a later one", document.Quote(need), "name earlier steps")
			default:
				s.Needs[n] = before.Name
			}
		}
		if masses := map[float64]bool{}; s.Shown.HasReserve {
			for j := range i {
				if c.Steps[j].Kind == Flight {
					masses[c.Steps[j].Ballast] = true
				}
			}
			if len(masses) < 2 {
				rows[i].Fault("reserve", "no report can tell it: a forecast needs hovers at two ballasts, and the card has not two before this step",
					rows[i].Got("reserve"), "ask it of the third step that flies and later ones")
			}
		}
		for n, name := range s.Shown.Packs {
			p, ok := c.Pack(name)
			if !ok {
				rows[i].Fault("packs", "no [[pack]] has this name", document.Quote(name), "add the pack, or take it out here")
				continue
			}
			s.Shown.Packs[n] = strings.Clone(p.Name)
		}
	}
}
