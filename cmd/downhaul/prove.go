package main

import (
	"context"
	_ "embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/before/prove"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/interlock/records/limitproof"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/sense"
	"downhaul/rules"
)

type proveCmd struct {
	Envelope string `required:"" placeholder:"FILE" help:"The envelope whose limits are proved."`
	Pad      string `placeholder:"FILE" help:"The pad file: whose craft, which sensors, which lines. Without it, a built-in virtual pad that feeds everything."`
	JSON     bool   `help:"Print one JSON object."`
	Record   bool   `default:"true" negatable:"" help:"Keep the dated record in the log folder of the pad file, where a guard looks for it. Kept unless --no-record is given; never without --pad."`
}

func (proveCmd) Help() string {
	return "For every rule, works out from the rule itself the smallest excursion that must trip and the largest that must not, and " +
		"drives both through the very intake and engine that guard, as MAVLink frames, pin levels, converter counts and anemometer pulses: " +
		"also silence, freezing, a single sample, and the phase of the flight. " +
		"Then each condition of a start that the envelope asks for. What no file changes, such as the built-in interlocks, is proved by the tests of the " +
		"software and not here. No device is opened. Exit code 1 means that something failed."
}

const proveSchema = 1

// builtinPad feeds an envelope when no pad file is given.
//
//go:embed proving/pad.toml
var builtinPad []byte

// proved is what prove reports.
type proved struct {
	Schema   int             `json:"schema"`
	Envelope limitproof.File `json:"envelope"`
	Pad      limitproof.File `json:"pad"`
	// BuiltIn reports whether no pad file was given.
	BuiltIn  bool          `json:"built_in_pad"`
	Software string        `json:"software"`
	Made     time.Time     `json:"made"`
	Passed   bool          `json:"passed"`
	Counts   outcomes      `json:"cases"`
	Record   *string       `json:"record"` // its file; null where none was kept
	Report   *prove.Report `json:"report"`
	Unseen   []unseen.Item `json:"cannot_see"`
	// Warnings are what may not be meant in the files: exit code 1, whatever passed.
	Warnings []string `json:"warnings"`
	env      *rules.Envelope
	reaction time.Duration // that the predicted apex was proved with
}

type outcomes struct {
	Pass      int `json:"pass"`
	Fail      int `json:"fail"`
	NotProven int `json:"not_proven"`
	Moot      int `json:"does_not_apply"`
}

func outcomesOf(r *prove.Report) outcomes {
	return outcomes{r.Count(prove.Pass), r.Count(prove.Fail), r.Count(prove.NotProven), r.Count(prove.Moot)}
}

func (c *proveCmd) Run(ctx context.Context, s *streams) error {
	env, limits, err := readText("prove", c.Envelope, isEnvelope, rules.ReadEnvelope)
	if err != nil {
		return err
	}
	p, padFile, err := c.readPad(env)
	if err != nil {
		return err
	}
	stop, _ := stopKnown(p, "")
	files := &sense.Files{Envelope: env, LimitFile: limits}
	if c.Pad != "" { // nobody else's is judged
		files.Pad, files.PadFile = p, padFile
	}
	refused, doubts := hazard.Sense(files, stop, nil, time.Now())
	if len(refused) > 0 {
		return hint(refused, `"downhaul check" says more`)
	}
	out := proved{Schema: proveSchema, BuiltIn: c.Pad == "", Software: guard.Software(), Made: time.Now().UTC().Truncate(time.Second), env: env,
		Envelope: limitproof.File{File: c.Envelope, Title: env.Title, SHA256: hex.EncodeToString(env.Hash[:])},
		Pad:      limitproof.File{File: c.Pad, Title: p.Title, SHA256: hex.EncodeToString(p.Hash[:])},
		Unseen:   []unseen.Item{}, Warnings: []string{}}
	if !out.BuiltIn {
		out.Unseen = append(out.Unseen, unseen.List(p, env)...)
	}
	if c.Record && !out.BuiltIn { // the first line, not the last
		if err := canKeep(limitproof.Folder(p.LogFolder)); err != nil {
			wrap(s.err, "prove: ", "  ", fmt.Sprintf("what is proved now cannot be kept (%v); %s", err, asGuard))
		}
	}
	terminal := redraws(s.err)
	seconds := func(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }
	site := p.Site()
	out.reaction = p.Reaction(stop.Thrust)
	cfg := p.Derived()
	cfg.Reaction = out.reaction // as a guard tells its engine
	site.Derived = cfg
	out.Report, err = prove.Run(prove.Setup{
		Envelope: env, Site: site, Intake: p.Intake(), CellRate: p.LoadCell.Rate, Fed: p.Fed,
		Budget: func(r *rules.Rule) prove.Budget {
			b := hazard.Reaction(r, p, stop, nil)
			return prove.Budget{Value: seconds(b.Value), Silence: seconds(b.Silence), Relay: seconds(b.Relay - b.Link)} // from its arrival here
		},
		Progress: func(what string, n, of int) bool {
			if terminal {
				line := []rune(printable(fmt.Sprintf("proving %d of %d: %s", n, of, what)))
				fmt.Fprintf(s.err, "\r%s\x1b[K", string(line[:min(len(line), columns-1)]))
			}
			return ctx.Err() == nil
		},
	})
	if terminal {
		fmt.Fprint(s.err, "\r\x1b[K")
	}
	if err != nil {
		return hint(err, "nothing was proved, and no record is kept")
	}
	if p.SigningKey != "" {
		out.Report.Notes = append(out.Report.Notes, "the limits are proved behind the check of signatures: the key file was not read, "+
			"and that the craft signs with that key shows only on the day (status counts what is refused)")
	}
	for _, d := range doubts {
		out.Warnings = append(out.Warnings, d.Error())
	}
	out.Passed = out.Report.Pass
	out.Counts = outcomesOf(out.Report)
	var kept error
	if c.Record && !out.BuiltIn {
		var path string
		if path, kept = out.keep(p.LogFolder); kept == nil {
			out.Record = &path
		}
	}
	if kept != nil {
		kept = hint(fmt.Errorf("prove: the result above was not kept: %w", kept),
			"the record belongs in the log folder of the pad file: "+asGuard+", or say --no-record")
	}
	return s.conclude(&out, c.JSON, kept, !out.Passed || len(out.Warnings) > 0)
}

// readPad reads the pad file, or takes the built-in one, and holds the envelope
// against it.
func (c *proveCmd) readPad(env *rules.Envelope) (*pad.Pad, sense.Source, error) {
	if c.Pad != "" {
		p, from, err := readText("prove", c.Pad, isPad, pad.Read)
		if err != nil {
			return nil, from, err
		}
		return p, from, hint(env.CheckFed(c.Envelope, p.Fed).Err(), `"downhaul check" with both files says more`)
	}
	p, faults := pad.Read("built-in pad", builtinPad)
	if len(faults) > 0 {
		return nil, sense.Source{}, faults
	}
	// What the envelope lists under [without] is fed here all the same: its
	// limits are proved for the day on which the device is fitted.
	bare := *env
	bare.Without = nil
	return p, sense.Source{}, hint(bare.CheckFed(c.Envelope, p.Fed).Err(), "the built-in pad has no such device; give --pad FILE")
}

// keep writes the record, where a guard looks for it.
func (r *proved) keep(logFolder string) (string, error) {
	text, err := json.Marshal(r.Report)
	if err != nil {
		return "", fmt.Errorf("encode the report: %w", err)
	}
	record := limitproof.Record{Schema: limitproof.Schema, Made: r.Made, Software: r.Software, Envelope: r.Envelope, Pad: r.Pad,
		ReactionS: r.reaction.Seconds(), Passed: r.Passed, NotProven: []string{}, Report: text}
	for _, row := range r.Report.Rules {
		if row.Outcome == prove.NotProven {
			record.NotProven = append(record.NotProven, row.Rule)
		}
	}
	return numbered.Write(limitproof.Folder(logFolder), record.Made, &record.Number, &record)
}
