package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"

	"downhaul/interlock/after/standrun"
	"downhaul/interlock/records/standtable"
)

// standWords is what a table's head says that no record knows.
type standWords struct {
	Out       string `placeholder:"FILE" help:"Write the table here, as CSV (a new file)."`
	Motor     string `placeholder:"TEXT" help:"What motor it is, for the table's head."`
	Propeller string `placeholder:"TEXT" help:"What propeller it is, for the table's head."`
	By        string `placeholder:"TEXT" help:"Who measured, for the table's head."`
}

type thrustSessionCmd struct {
	Session string `arg:"" help:"A session's folder."`
	standWords
	JSON bool `help:"Print one JSON object."`
}

func (thrustSessionCmd) Help() string {
	return "Makes the table out of a session in which a motor ran on the stand, finished or broken off: \"downhaul thrust run\" does the same at its end. " +
		"What was done is told by marks, which a hand can stamp as well (downhaul mark): \"stand begin\", \"stand tare; hold 3 s\" with the propeller on and still, " +
		"\"stand hung; hold 3 s; mass 2 kg; doubt 5 g\" with the mass where the motor pulls, \"stand row; hold 4 s\" behind each output that was held " +
		"(\"; output 40 %; current 12.3 A; voltage 22.2 V\" where no telemetry tells them), \"stand done\" behind a last tare. " +
		"In place of a hung mass: \"stand arms; motor 300 mm; scale 150 mm; doubt 1 mm; angle 0 deg; angle_doubt 2 deg\", " +
		"or \"stand direct; doubt 2 %\" where the pad's load cell was calibrated with loads hung where the motor pulls."
}

// standSaid is what came of a run on the stand, as one JSON object.
type standSaid struct {
	Schema   int            `json:"schema"`
	Session  string         `json:"session"`
	Step     string         `json:"step"`
	Finished bool           `json:"finished"`
	Lever    standrun.Lever `json:"lever"`
	Zeros    []float64      `json:"zeros_n"`
	Drift    float64        `json:"zero_drift_n"`
	Notes    []string       `json:"notes"`
	Table    tableSaid      `json:"table"`
	Out      *string        `json:"out"`
	text     []byte
	whole    bool // a table that a card may name
}

// tableOfStand makes the table of a session's folder. file is what it is called in faults.
func tableOfStand(folder, file string, w *standWords) (*standSaid, error) {
	r, err := standrun.Read(folder)
	if err != nil {
		return nil, err
	}
	t, taken, err := r.Table(w.Motor, w.Propeller, w.By)
	if err != nil {
		return nil, err
	}
	out := &standSaid{Schema: thrustSchema, Session: r.Info.Session, Step: r.Step.Name, Finished: taken.Finished, Lever: taken.Lever, Zeros: taken.Zeros,
		Drift: taken.Drift, Notes: append([]string{}, taken.Notes...), text: t.Text()}
	if again, faults := standtable.Read(file, out.text); faults.Err() == nil {
		t, out.whole = again, true // with the lines that its rows have in the file
	} else {
		out.Notes = append(out.Notes, "as a table it cannot be read yet: "+faults.Err().Error())
		for i := range t.Rows {
			t.Rows[i].Line = i + 1
		}
	}
	t.Hash = sha256.Sum256(out.text)
	out.Table = tableSays(file, t)
	return out, nil
}

// tableSays is a table with what its rows show.
func tableSays(name string, t *standtable.Table) tableSaid {
	j := standtable.Judge(t)
	one := tableSaid{File: name, SHA256: hex.EncodeToString(t.Hash[:]), Says: t.Says(), Diameter: t.Diameter, Doubt: t.Doubt, Supply: j.Resistance,
		WeakFrom: j.WeakFrom, Refused: j.Refused(), Findings: j.Findings, table: t}
	for i := range j.Rows {
		one.Rows = append(one.Rows, struct {
			standRow
			standtable.Judged
		}{standRowOf(&t.Rows[i]), j.Rows[i]})
	}
	return one
}

// keep writes the table where it was asked for.
func (o *standSaid) keep(path string) error {
	if path == "" {
		return nil
	}
	if err := writeNew(path, o.text, false); err != nil {
		return hint(err, "name a new file in a folder that is there")
	}
	o.Out = &path
	return nil
}

func (c *thrustSessionCmd) Run(s *streams) error {
	file := c.Out
	if file == "" {
		file = "table"
	}
	out, err := tableOfStand(c.Session, file, &c.standWords)
	if err != nil {
		return prefixed("thrust", c.Session, err)
	}
	if err := out.keep(c.Out); err != nil {
		return fmt.Errorf("thrust: %w", err)
	}
	return s.conclude(out, c.JSON, nil, len(out.Table.Findings) > 0 || !out.Finished)
}

func (o *standSaid) print(w io.Writer) {
	wrap(w, "", "  ", fmt.Sprintf("Session %s, step %q%s.", o.Session, o.Step, pick(o.Finished, "", ": UNFINISHED")))
	wrap(w, "  ", "  ", o.Lever.Says+".")
	wrap(w, "  ", "  ", fmt.Sprintf("The zero moved by %.2g N of thrust between the tares; lever and zero together may be off by %.1f %%.", o.Drift, 100*o.Table.Doubt))
	for _, n := range o.Notes {
		wrap(w, "  - ", "    ", n+".")
	}
	fmt.Fprintln(w)
	o.Table.print(w)
	if o.Out != nil {
		fmt.Fprintln(w)
		wrap(w, "Table: ", "       ", *o.Out)
	}
	switch {
	case o.Table.Refused:
		wrap(w, "", "", "It is nothing for a card: mend what is refused, and run again.")
	case o.Out != nil && o.whole:
		wrap(w, "", "", "For the card, under [motors]:")
		fmt.Fprintf(w, "table=%q\ntable_sha256=%q\n", *o.Out, o.Table.SHA256) // 80 columns hold no more
	}
}
