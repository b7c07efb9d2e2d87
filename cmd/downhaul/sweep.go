package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/before/bench/chart"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

type sweepCmd struct {
	Envelope   string   `required:"" placeholder:"FILE" help:"The envelope that holds the rule."`
	Pad        string   `placeholder:"FILE" help:"The pad file: whose craft, which packs, which sensors. Without it, a session's own, or what the recording itself shows."`
	Rule       string   `required:"" placeholder:"NAME" help:"The rule whose limit or on-delay is moved."`
	From       string   `placeholder:"Q" help:"Where the range begins, such as \"5 m\"."`
	To         string   `placeholder:"Q" help:"Where it ends."`
	Steps      int      `default:"21" placeholder:"N" help:"How many values, both ends included (${default})."`
	Key        string   `default:"limit" enum:"limit,low,high,lasting" help:"What is moved: limit (low or high of an outside rule), or lasting (${default})."`
	Real       []string `sep:"none" placeholder:"FILE:SECONDS" help:"Something real happened there; FILE:FROM-TO for a stretch. May be given often. \"none\" says that nothing real is in any of them."`
	Reference  string   `placeholder:"FILE" help:"Or: the trips of this envelope's rule of the same name (or of all its rules, if it has none) are the real ones."`
	Within     string   `default:"5 s" placeholder:"Q" help:"How far from a real time a trip may begin and still belong to it (${default})."`
	JSON       bool     `help:"Print one JSON object."`
	Plot       string   `placeholder:"FILE" help:"Draw it, too, as SVG."`
	Force      bool     `help:"Replace a picture that is there already."`
	Recordings []string `arg:"" name:"rec" help:"Session folder, pcapng or pcap of the telemetry link, or raw MAVLink bytes; packed with gzip as well."`
}

func (sweepCmd) Help() string {
	return "Moves one limit or on-delay over a range and shows for each value what the rule would have done to the recordings, " +
		"with the very core that guards: trips, and, where you say what was real, false and missed ones and the time to each. " +
		"Says in words over which range no trip is false and every real one is stated. " +
		"Exit code 1 means that the rule tripped at some value."
}

const sweepSchema = 1

// sweptAll is the whole answer.
type sweptAll struct {
	Schema int    `json:"schema"`
	File   string `json:"envelope"`
	Key    string `json:"key"`
	*bench.Judged
	WithinS    float64          `json:"within_s"`
	Says       string           `json:"says"`
	Recordings []sweptRecording `json:"recordings"`
	Failed     []failure        `json:"failed"`

	unit string // of the texts
	rule *rules.Rule
	plot string // the file of the picture, empty for none
}

type sweptRecording struct {
	File      string   `json:"file"`
	DurationS float64  `json:"duration_s"`
	Notes     []string `json:"notes"`
}

func (c *sweepCmd) Run(ctx context.Context, s *streams) error {
	if c.From == "" || c.To == "" {
		return hint(errors.New("sweep: no range given"), `write --from "5 m" --to "9 m", in a unit of the limit`)
	}
	env, err := readEnvelope("sweep", c.Envelope)
	if err != nil {
		return err
	}
	p, err := readPad("sweep", c.Pad)
	if err != nil {
		return err
	}
	turn := map[string]bench.Turn{"limit": bench.TurnLimit, "low": bench.TurnLow, "high": bench.TurnHigh, "lasting": bench.TurnLasting}[c.Key]
	sw, err := bench.NewSweep(env, c.Rule, turn, c.From, c.To, c.Steps)
	if err != nil {
		return fmt.Errorf("sweep: %w", err)
	}
	if c.Reference != "" {
		if sw.Reference, err = readEnvelope("sweep", c.Reference); err != nil {
			return err
		}
	}
	reals, known, err := c.reals()
	if err != nil {
		return err
	}
	within, err := rules.ParseDuration(c.Within)
	if err != nil || within < 0 {
		return hint(fmt.Errorf("sweep: --within takes a time (got %q)", c.Within), `such as --within "5 s"`)
	}
	if c.Plot != "" {
		if err := notThere(c.Plot, c.Force); err != nil {
			return fmt.Errorf("sweep: %w", err)
		}
	}
	runs, failed, bad := eachRecording(ctx, s, "sweep", c.Recordings, func(j *job) (*bench.Swept, error) {
		var run *bench.Swept
		notes, err := j.against(env, p, func(rec *recording.Reader, setup bench.Setup) (err error) {
			run, err = sw.Run(j.name, rec, setup, j.ticking())
			return err
		})
		if err != nil {
			return nil, err
		}
		run.Notes = slices.Insert(run.Notes, 0, notes...)
		return run, nil
	})
	if len(runs) == 0 {
		return bad
	}
	for _, f := range failed {
		for _, r := range reals {
			if r.File == f.File {
				bad = errors.Join(bad, fmt.Errorf("sweep: the real time at %.2f s in %s is left out with it", r.From.Seconds(), f.File))
			}
		}
	}
	judged, err := sw.Judge(runs, reals, known, within)
	if err != nil {
		return hint(fmt.Errorf("sweep: %w", err), "give --real or --reference")
	}
	out := sweptAll{Schema: sweepSchema, File: c.Envelope, Key: c.Key, Judged: judged, WithinS: within.Seconds(), Failed: failed,
		unit: sw.Unit, rule: &env.Rules[sw.Rule], plot: c.Plot}
	for _, r := range runs {
		out.Recordings = append(out.Recordings, sweptRecording{r.File, r.DurationS, append(append([]string{}, outside(reals, r)...), r.Notes...)})
	}
	out.Says = out.verdict()
	if err := c.draw(&out); err != nil {
		return fmt.Errorf("sweep: %w", err)
	}
	return s.conclude(&out, c.JSON, bad, slices.ContainsFunc(out.Steps, func(step bench.Step) bool { return step.Trips > 0 }))
}

// outside returns which real times lie past the end of their recording, where
// nothing can state them.
func outside(reals []bench.Real, run *bench.Swept) []string {
	notes := []string{}
	for _, r := range reals {
		if r.File == run.File && r.From.Seconds() > run.DurationS {
			notes = append(notes, fmt.Sprintf("a real time is given at %.2f s, and the recording ends at %.2f s: it counts as missed", r.From.Seconds(), run.DurationS))
		}
	}
	return notes
}

// reals reads the real times; each must be of a recording that is named.
func (c *sweepCmd) reals() (out []bench.Real, known bool, err error) {
	var errs []error
	for _, text := range c.Real {
		if text == "none" {
			known = true
			continue
		}
		r, err := c.oneReal(text)
		if err != nil {
			errs = append(errs, fmt.Errorf("sweep: --real %s: %w", text, err))
		}
		out = append(out, r)
	}
	if known && len(out) > 0 {
		errs = append(errs, errors.New("sweep: --real none stands beside real times; keep one of the two"))
	}
	if c.Reference != "" && len(c.Real) > 0 {
		errs = append(errs, errors.New("sweep: both --real and --reference are given; one of them must say what was real"))
	}
	return out, known, hint(errors.Join(errs...), "write --real FILE:SECONDS, such as --real flight.pcap:44.7")
}

func (c *sweepCmd) oneReal(text string) (r bench.Real, err error) {
	i := strings.LastIndexByte(text, ':')
	if i < 0 {
		return r, errors.New("there is no colon between file and seconds")
	}
	name, when := text[:i], text[i+1:]
	from, to, stretch := strings.Cut(when, "-")
	if !stretch {
		to = from
	}
	seconds := [2]float64{}
	for k, t := range []string{from, to} {
		v, err := strconv.ParseFloat(strings.TrimSpace(t), 64)
		if err != nil || !(v >= 0 && v < 1e9) {
			return r, fmt.Errorf("want seconds since the recording began (got %q)", t)
		}
		seconds[k] = v
	}
	if seconds[1] < seconds[0] {
		return r, fmt.Errorf("the stretch ends before it begins (%q)", when)
	}
	r.From, r.To = time.Duration(seconds[0]*1e9), time.Duration(seconds[1]*1e9)
	for _, rec := range c.Recordings {
		if rec != name && filepath.Base(rec) != name {
			continue
		}
		if r.File != "" && r.File != rec {
			return r, fmt.Errorf("both %s and %s could be meant; write more of the path", r.File, rec)
		}
		r.File = rec
	}
	if r.File == "" {
		return r, fmt.Errorf("%s is none of the recordings given", name)
	}
	return r, nil
}

// draw draws the picture that was asked for.
func (c *sweepCmd) draw(out *sweptAll) error {
	if c.Plot == "" {
		return nil
	}
	var picture bytes.Buffer
	if err := chart.Sweep(&picture, out.Judged, out.unit, out.title()); err != nil {
		return err
	}
	return writeNew(c.Plot, picture.Bytes(), c.Force)
}
