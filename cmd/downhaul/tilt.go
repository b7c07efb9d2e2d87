package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/before/tilt"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/day/telemetry/link/reading"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/interlock/sense"
	"downhaul/rules/card"
)

type tiltCmd struct {
	Recording string        `arg:"" optional:"" help:"A recording or a session to look at, in place of the pad's own links; no record is kept."`
	Card      string        `required:"" placeholder:"FILE" help:"The test card, which says where the motors stand."`
	Pad       string        `required:"" placeholder:"FILE" help:"The pad file: links, craft, range of the outputs, log folder."`
	For       time.Duration `default:"5m" placeholder:"TIME" help:"How long to wait for all four sides (${default})."`
	JSON      bool          `help:"Print one JSON object."`
}

func (tiltCmd) Help() string {
	return "Checks the tilt response, propellers off and no guard running: the crew turns the craft by hand, and the outputs of the motors " +
		"on the low side must rise. It reads ATTITUDE and SERVO_OUTPUT_RAW and holds them against the motors' places on the test card. " +
		"The dated record is kept in the log folder; a ground step with measured_by = \"tilt\" asks for it. Take every propeller off first and " +
		"keep hands and clothes off the rotors: the craft is armed, in a mode that steadies it. Exit code 1 means that not every motor answered the right way."
}

const tiltSchema = 1

// tiltOutput is the command as one JSON object.
type tiltOutput struct {
	Schema    int         `json:"schema"`
	Craft     string      `json:"craft"`
	Card      string      `json:"card"`
	Recording *string     `json:"recording"`
	Record    *string     `json:"record"`
	Result    tilt.Result `json:"result"`
	// Notes state what is to know of the recording.
	Notes []string `json:"notes"`
}

func (c *tiltCmd) Run(ctx context.Context, s *streams) error {
	craft, from, err := readText("tilt", c.Card, isCard, card.Read)
	if err != nil {
		return err
	}
	// Motors at places that no craft has would be measured wrongly.
	faults, _ := hazard.Sense(&sense.Files{Card: craft, CardFile: from}, stopping.Times{}, nil, time.Now())
	if err := faults.Err(); err != nil {
		return hint(fmt.Errorf("tilt: %w", err), "mend the test card first")
	}
	p, err := readPad("tilt", c.Pad)
	if err != nil {
		return err
	}
	if c.For < shortestListen || c.For > time.Hour {
		return hint(fmt.Errorf("tilt: --for must be from %v to %v (got %v)", shortestListen, time.Hour, c.For), "write a time such as 5m")
	}
	w, err := tilt.New(tilt.Motors(craft))
	if err != nil {
		return hint(fmt.Errorf("tilt: %w", err), "write one [[motor]] with number, ahead, right and spin for each motor on the test card")
	}
	cfg := p.Intake()
	e, err := tilt.NewEar(cfg.Craft.System, cfg.Craft.Component, cfg.Fields, w)
	if err != nil {
		return fmt.Errorf("tilt: %w", err)
	}
	out := tiltOutput{Schema: tiltSchema, Craft: craft.Craft.Name, Card: c.Card, Notes: []string{}}
	var kept error
	if c.Recording != "" {
		notes, err := tiltRecording(e, c.Recording)
		if err != nil {
			return prefixed("tilt", c.Recording, err)
		}
		out.Notes = append(out.Notes, notes...)
		out.Recording, out.Result = &c.Recording, w.Result()
	} else {
		if err := canKeep(tiltcheck.Folder(p.LogFolder)); err != nil {
			return hint(fmt.Errorf("tilt: %w", err), "the record is kept in the log folder of the pad file; "+asGuard)
		}
		earlier, _, err := session.Earlier(p.LogFolder, p.Mark())
		if err != nil {
			return fmt.Errorf("tilt: %w", err)
		}
		after := 0 // the newest session
		for _, ses := range earlier {
			after = max(after, ses.Info.Number)
		}
		w.Asked = true
		screen := s.out
		if c.JSON {
			screen = s.err
		}
		if err := c.live(ctx, screen, p, e); err != nil {
			return err
		}
		out.Result = w.Result()
		if w.Done() {
			r := &tiltcheck.Record{After: after, Schema: tiltcheck.Schema, Made: time.Now(), Software: guard.Software(), Craft: craft.Craft.Name,
				Motors: tiltcheck.Digest(craft), Card: hex.EncodeToString(craft.Hash[:]), Link: p.Links[0].Address, Passed: out.Result.Passed, Result: out.Result}
			var path string
			if path, kept = numbered.Write(tiltcheck.Folder(p.LogFolder), r.Made, &r.Number, r); kept == nil {
				out.Record = &path
			}
		}
	}
	if kept != nil {
		kept = fmt.Errorf("tilt: the result above was not kept: %w", kept)
	}
	return s.conclude(&out, c.JSON, kept, !out.Result.Passed)
}

// tiltRecording lets the ear hear a recording, also behind damage; the notes say
// what is missing.
func tiltRecording(e *tilt.Ear, name string) (notes []string, err error) {
	src, err := openSource(name)
	if err != nil {
		return nil, err
	}
	rec, err := recording.OpenParts(src.parts, recording.PastDamage())
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	torn, damaged := new(recording.Torn), new(recording.Damaged)
	for breaks := uint64(0); ; {
		c, err := rec.Next()
		if n := rec.Breaks(); n != breaks {
			breaks = n
			e.Break()
		}
		switch {
		case errors.Is(err, io.EOF):
			return rec.Info().Notes(), nil
		case errors.As(err, &torn), errors.As(err, &damaged):
			e.Break()
			return append(rec.Info().Notes(), err.Error()), nil
		case err != nil:
			return nil, err
		case c.Source == intake.Telemetry:
			e.Hear(c.At, c.Link, c.Bytes)
		}
	}
}

// live listens and leads the crew through.
func (c *tiltCmd) live(ctx context.Context, out io.Writer, p *pad.Pad, e *tilt.Ear) error {
	ctx, stop := context.WithTimeout(ctx, c.For)
	defer stop()
	began := time.Now()
	var work sync.WaitGroup
	defer work.Wait()
	defer stop()
	failed := make(chan error, len(p.Links))
	for _, cfg := range p.LinkConfigs() {
		l, err := link.Open(cfg)
		if err != nil {
			return hint(fmt.Errorf("tilt: %w", err), "end the guard first: it has the link")
		}
		work.Go(func() {
			defer l.Close()
			err := reading.Run(ctx, l, func(x reading.Packet) { e.Hear(time.Since(began), cfg.Number, x.Bytes) }, func(link.Event) {})
			if err != nil {
				failed <- fmt.Errorf("tilt: %w", err)
			}
		})
	}
	for _, line := range []string{
		"Every propeller off, and looked at twice. Nobody touches a rotor: motors turn.",
		"No power is needed at the motors: where the controller has a supply of its own, leave the packs out.",
		"Arm it in a mode that steadies it, throttle low, and do not turn its nose. Nothing is sent to the craft.",
	} {
		wrap(out, "* ", "  ", line)
	}
	fmt.Fprintln(out)
	return c.lead(ctx, out, e, failed)
}

// lead shows what to do, and of each lean how it went, until nothing more is
// asked or the time is over.
func (c *tiltCmd) lead(ctx context.Context, out io.Writer, e *tilt.Ear, failed <-chan error) error {
	terminal := redraws(out)
	erase := func() {
		if terminal {
			fmt.Fprint(out, "\r\x1b[K")
		}
	}
	var before tilt.Now
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for over := false; ; {
		n := e.Now()
		for d, held := range n.Held {
			if !held || before.Held[d] && before.Good[d] == n.Good[d] {
				continue
			}
			word := "good"
			if !n.Good[d] {
				word = "NOT GOOD as yet"
			}
			erase()
			wrap(out, "  ", "  ", fmt.Sprintf("%s: held, %s", tilt.Direction(d), word))
		}
		switch {
		case terminal:
			line := []rune(fmt.Sprintf("%3.0f deg  %s", n.Lean*180/math.Pi, n.Next))
			erase()
			fmt.Fprint(out, string(line[:min(len(line), columns-1)]))
		case n.Next != before.Next && n.Next != "":
			wrap(out, "> ", "  ", n.Next)
		}
		before = n
		if n.Done || over {
			erase()
			fmt.Fprintln(out)
			return nil
		}
		select {
		case err := <-failed:
			erase()
			return err
		case <-ctx.Done():
			over = true // and look once more
		case <-tick.C:
		}
	}
}

func (o *tiltOutput) print(w io.Writer) {
	wrap(w, "", "  ", "Tilt response of "+printable(o.Craft))
	for d, h := range o.Result.Held {
		name := tilt.Direction(d).String()
		if h == nil {
			fmt.Fprintf(w, "  %-16s  not held\n", name)
			continue
		}
		verdict := "good"
		if !h.Good {
			verdict = "NOT GOOD"
		}
		fmt.Fprintf(w, "  %-16s  %2.0f deg for %4.1f s  %s\n", name, h.Lean*180/math.Pi, h.ForS, verdict)
		for _, a := range h.Answers {
			side := "low side "
			if a.Arm < 0 {
				side = "high side"
			}
			fmt.Fprintf(w, "      motor %2d  %s %4.2f of an arm  output %+6.1f %%  %s\n", a.Number, side, math.Abs(a.Arm), 100*a.Change, a.Verdict)
		}
	}
	wrapEach(w, "  - ", "    ", o.Result.Findings)
	for _, u := range o.Result.Untold {
		wrap(w, "  (", "    ", u+")")
	}
	if o.Result.Passed {
		wrap(w, "", "  ", "Every motor answered the right way.")
	} else {
		wrap(w, "", "  ", "NOT PASSED.")
	}
	wrap(w, "", "  ", "A rotor that turns the wrong way, or a propeller that is on upside down, shows nothing here: look, one motor at a time, craft anchored.")
	wrapEach(w, "Note: ", "  ", o.Notes)
	switch {
	case o.Record != nil:
		wrap(w, "Record: ", "        ", printable(*o.Record))
	case o.Recording != nil:
		wrap(w, "", "  ", "No record is kept: whether the side that the craft tells of is the one that was low, no recording can say.")
	default:
		wrap(w, "", "  ", "No record is kept: not every side was held.")
	}
}
