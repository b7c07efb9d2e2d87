package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"
	"slices"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/standtable"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

type thrustSumCmd struct {
	Card   string `required:"" placeholder:"FILE" help:"The test card: motors, their places, guard, packs, steps."`
	Pad    string `required:"" placeholder:"FILE" help:"The pad file: cells in series, packs side by side, what full output did to them."`
	Table  string `placeholder:"FILE" help:"A table of the stand, in place of the one that the card names."`
	Charge string `default:"80 %" placeholder:"SHARE" help:"The packs' charge at full output (${default})."`
	JSON   bool   `help:"Print one JSON object."`
}

func (thrustSumCmd) Help() string {
	return "Does the builder's sum with what the stand measured: the motors' thrust at the voltage that the packs have under that current, less overlap and guards, " +
		"less the craft and the reserve that control needs. Each line has its 95 % interval and its source; the low end is the answer, the sum on paper " +
		"(best row times motors, less 10 %) stands beside it. Exit code 1 means that a step does not keep the reserve at the low end."
}

// sumOutput is the sum as one JSON object.
type sumOutput struct {
	Version int    `json:"schema"` // no Schema: the sum has one of its own
	Card    string `json:"card"`
	Table   string `json:"table"`
	*lift.Sum
	units string
}

func (c *thrustSumCmd) Run(s *streams) error {
	crd, err := readAs("thrust", c.Card, isCard, card.Read)
	if err != nil {
		return err
	}
	p, err := readPad("thrust", c.Pad)
	if err != nil {
		return err
	}
	charge, err := rules.ParseQuantity(c.Charge, rules.Ratio)
	if err != nil || !(charge.SI > 0.05 && charge.SI <= 1) {
		return hint(fmt.Errorf("thrust: --charge must be more than 5 %% and at most 100 %% (got %q)", c.Charge), `write such as --charge "80 %%"`)
	}
	name, given := c.Table, c.Table != ""
	if !given {
		name = tableOf(crd, c.Card)
	}
	if name == "" {
		return hint(errors.New("thrust: the card names no table of a thrust stand"), `write table = "motor.csv" under [motors], or give --table FILE`)
	}
	t, err := readTable(name)
	if err != nil {
		return fmt.Errorf("thrust: %w", err)
	}
	if !given && t.Hash != crd.Motors.TableHash {
		return hint(fmt.Errorf("thrust: %s is another table than the one that the card names by its hash", name), "look at what was changed in it; downhaul check says the hash to write, --table takes it as it is")
	}
	sum, err := sumOf(crd, p, t, charge.SI)
	if err != nil {
		return fmt.Errorf("thrust: %w", err)
	}
	short := slices.ContainsFunc(sum.Steps, func(step lift.SumStep) bool { return !step.Enough })
	return s.conclude(&sumOutput{thrustSchema, c.Card, name, sum, crd.Units}, c.JSON, nil, short)
}

// tableOf is the file of the stand's table that a card names, empty for none.
func tableOf(c *card.Card, cardFile string) string {
	name := c.Motors.Table
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(cardFile), name)
}

// fullCharge is the charge that check reckons with, as thrust sum does unasked.
const fullCharge = 0.8

// sumOf does the sum of a card and a pad with a table at a charge.
func sumOf(c *card.Card, p *pad.Pad, t *standtable.Table, charge float64) (*lift.Sum, error) {
	q := lift.SumQuestion{Table: t, Card: c, Cells: p.Packs.Cells, Packs: sideBySide(c, p), Charge: charge, CellVolts: craftmodel.RestingCell(charge)}
	q.Ohms, q.OhmsUnsure, q.OhmsFrom = packOhms(c, p)
	return lift.SumOf(q)
}

// ohmAmpHours is the resistance of one cell times its capacity where nobody states one:
// what the rehearsal's model takes as well; a cell may have half as much or twice.
const ohmAmpHours = 0.057

// packOhms is the resistance of all packs together, by how much of it may be more or less
// (95 %, a share), and who says so.
func packOhms(c *card.Card, p *pad.Pad) (ohms, unsure float64, from string) {
	tell := func(ohms float64) string { return rounding.Show(ohms, "mohm", 3, rounding.Near) }
	if f := p.Full; f.Amps > 0 {
		ohms = (f.Resting - f.Volts) / f.Amps
		return ohms, 0.1, tell(ohms) + " by [full_output] of the pad file"
	}
	side := float64(sideBySide(c, p))
	for _, pack := range c.Packs {
		if pack.Cells == 0 || p.Packs.Cells == 0 {
			continue
		}
		chain := math.Max(math.Round(float64(p.Packs.Cells)/float64(pack.Cells)), 1)
		switch {
		case pack.Resistance > 0:
			if r := pack.Resistance * chain / side; r > ohms {
				ohms, unsure, from = r, 0.2, tell(r)+" by the card's [[pack]]"
			}
		case pack.Capacity > 0 && from == "":
			ohms = ohmAmpHours / (pack.Capacity / 3600) * float64(p.Packs.Cells) / side
			unsure, from = 0.5, tell(ohms)+" as cells of that capacity have (the card states no resistance)"
		}
	}
	return ohms, unsure, from
}

// sideBySide is how many packs fly in parallel: as many as report, or more where the
// pad's capacity is that of several packs of the card behind one monitor.
func sideBySide(c *card.Card, p *pad.Pad) int {
	n := max(p.Packs.Count, 1)
	for _, pack := range c.Packs {
		if pack.Capacity > 0 {
			n = max(n, int(math.Round(p.Packs.Capacity/pack.Capacity)))
		}
	}
	return n
}

func (o *sumOutput) print(w io.Writer) {
	wrap(w, "Sum of lift ", "  ", fmt.Sprintf("by the stand's table %s", o.Table))
	fmt.Fprintln(w)
	fmt.Fprint(w, o.Text(o.units))
	fmt.Fprintln(w)
	for _, says := range o.Verdicts(o.units) {
		wrap(w, "  ", "    ", says)
	}
	fmt.Fprintln(w, "\nWho says so:")
	for i := range o.Lines {
		wrap(w, "  ", "    ", o.Lines[i].What+": "+o.Lines[i].Source+".")
	}
	fmt.Fprintln(w, "\nNot in the sum:")
	for _, d := range o.Doubts {
		wrap(w, "  - ", "    ", d+".")
	}
}

// sums does the sum of every card that names a table of a stand, and warns of what the
// table's rows show.
func (c *checked) sums() {
	for i := range c.Files {
		f := &c.Files[i]
		if f.card == nil || f.card.Motors.Table == "" {
			continue
		}
		name := tableOf(f.card, f.File)
		t, err := readTable(name)
		if err != nil {
			c.noTable(f, err)
			continue
		}
		if t.Hash != f.card.Motors.TableHash {
			f.add(document.Faults{{File: f.File, Line: f.card.Motors.Line, Key: "motors.table_sha256", Wrong: "the table is another than the one that was measured",
				Got: fmt.Sprintf("a file of %x", t.Hash), Mend: "look at what was changed in it; if that is right, write this hash"}})
			continue
		}
		for _, found := range standtable.Judge(t).Findings {
			c.Warnings = append(c.Warnings, fmt.Sprintf("%s:%d: %s", name, found.Line, found.Text))
		}
		if c.pad == nil {
			c.Notes = append(c.Notes, "the sum of lift wants the pad file beside the card: cells in series, packs side by side")
			continue
		}
		sum, err := sumOf(f.card, c.pad, t, fullCharge)
		if err != nil {
			c.Warnings = append(c.Warnings, "no sum of lift: "+err.Error())
			continue
		}
		f.Sum = sum
		show := func(newton float64) string {
			return rounding.Show(newton, rules.DefaultUnit(rules.Force, f.card.Units), 3, rounding.Down)
		}
		f.Says = append(f.Says, fmt.Sprintf("Sum of lift by %s, packs at %.0f %%: %s at the low end, %s likely, %s on paper.", f.card.Motors.Table, 100*fullCharge,
			show(sum.Lift.Low), show(sum.Lift.Mid), show(sum.PaperLift)))
		f.Says = append(f.Says, sum.Verdicts(f.card.Units)...)
		for _, step := range sum.Steps {
			if step.Ratio.High < step.Needed {
				c.Warnings = append(c.Warnings, fmt.Sprintf("%s:%d: step %q: even the high end of the sum of lift does not keep the reserve for control; take ballast off, or other motors, propellers or packs", f.File, step.Line, step.Step))
			}
		}
	}
}

// noTable puts what is wrong with a table to the card that names it.
func (c *checked) noTable(f *checkedFile, err error) {
	wrong := document.Fault{File: f.File, Line: f.card.Motors.Line, Key: "motors.table", Got: document.Quote(f.card.Motors.Table)}
	var faults document.Faults
	switch {
	case errors.As(err, &faults):
		f.add(faults)
		return
	case errors.Is(err, fs.ErrNotExist):
		wrong.Wrong, wrong.Mend = "there is no such file", "write its path from the card's own folder"
	default:
		wrong.Wrong, wrong.Mend = "cannot be read", err.Error()
	}
	f.add(document.Faults{wrong})
}
