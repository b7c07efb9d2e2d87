package commission

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/hw"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/prooftest"
)

// Config is what a run needs. Nothing in it has a silent default but Patience
// and Only.
type Config struct {
	Pad *pad.Pad
	// File is the name of the pad file, for the record.
	File  string
	Board hw.Board
	Crew  Crew
	// Now is the monotonic time since the board was opened; Sleep waits, with
	// as little delay as can be had; Wall is the time of day.
	Now   func() time.Duration
	Sleep func(time.Duration)
	Wall  func() time.Time
	// Software names the program.
	Software string
	// Only are the tests wanted; empty is all that fit.
	Only []prooftest.Test
	// Patience is how long the crew's hands are waited for; 0 is a minute.
	Patience time.Duration
	// Hear opens a telemetry link; nil leaves the telemetry unheard.
	Hear func(link.Config) (*link.Link, error)
}

// bench is one run under way.
type bench struct {
	ctx      context.Context
	cfg      Config
	crew     Crew
	rig      *rig
	patience time.Duration
	by       string
	within   bool // a test runs, which can be skipped
	// stays reports whether power may remain at the rotors: nothing more is tested.
	stays bool
	// dead reports whether the chain does not close.
	dead bool
}

// errRefused means that the crew did not confirm what must hold first.
var errRefused = errors.New("nothing was tested")

// mostTries is how often a thing is done again that this computer held up.
const mostTries = 3

// Run walks the crew through the tests. The record is whole also when the run
// broke off: then nothing in it has passed, and what had failed stays failed.
// Times are best taken on a locked thread.
// The error says why a run could not be done; with a record it broke off.
func Run(ctx context.Context, cfg Config) (*prooftest.Record, error) {
	if cfg.Pad == nil || cfg.Board == nil || cfg.Crew == nil || cfg.Now == nil || cfg.Sleep == nil || cfg.Wall == nil {
		return nil, errors.New("commission: pad, board, crew and clocks must all be given")
	}
	fitting := prooftest.Fitting(cfg.Pad)
	if canFilm(cfg.Pad) && slices.Contains(cfg.Only, prooftest.LinkDelay) {
		fitting = append(fitting, prooftest.LinkDelay)
	}
	if len(fitting) == 0 {
		return nil, errors.New("commission: this pad has neither relay nor sensors of its own; there is nothing to test")
	}
	wanted := fitting
	if len(cfg.Only) > 0 {
		wanted = nil
		for _, t := range fitting {
			if slices.Contains(cfg.Only, t) {
				wanted = append(wanted, t)
			}
		}
		if len(wanted) < len(cfg.Only) {
			return nil, fmt.Errorf("commission: not every test that was asked for fits this pad; it has %v", fitting)
		}
	}
	if cfg.Patience == 0 {
		cfg.Patience = time.Minute
	}
	in := cfg.Pad.Intake()
	b := &bench{ctx: ctx, cfg: cfg, crew: cfg.Crew, patience: cfg.Patience,
		rig: &rig{pad: cfg.Pad, board: cfg.Board, lines: in.Lines, loop: in.Anemometer.Loop, now: cfg.Now, sleep: cfg.Sleep}}
	reading, stop := context.WithCancel(ctx)
	wait := b.rig.sensors(reading)
	defer func() { stop(); wait() }()
	defer func() { _ = b.rig.safe() }()

	record := &prooftest.Record{Schema: prooftest.Schema, Made: cfg.Wall(), Software: cfg.Software, Tests: []prooftest.Result{},
		Pad:   prooftest.PadFile{File: cfg.File, Title: cfg.Pad.Title, SHA256: hex.EncodeToString(cfg.Pad.Hash[:])},
		Board: boardID(cfg.Pad)}
	if err := b.cautions(); err != nil {
		return nil, err
	}
	record.By = b.by
	if len(cfg.Only) == 0 {
		b.offerLink()
	}
	err := b.tests(record, wanted)
	record.Made = cfg.Wall()
	if err != nil {
		breakOff(record)
	}
	return record, err
}

// breakOff takes back what passed.
func breakOff(r *prooftest.Record) {
	r.Interrupted = true
	for i := range r.Tests {
		if r.Tests[i].Outcome == prooftest.Passed {
			r.Tests[i].Outcome = prooftest.Unfinished
		}
	}
}

// boardID returns what the record says of the board.
func boardID(p *pad.Pad) prooftest.BoardID {
	id := prooftest.BoardID{Kind: string(p.Board.Kind), Machine: prooftest.Machine(p), Lines: []string{}}
	for _, l := range p.Board.Lines {
		if l.Fitted {
			id.Lines = append(id.Lines, strings.TrimSpace(l.Name+" "+l.Pin))
		}
	}
	return id
}

// cautions come first, and each is confirmed.
func (b *bench) cautions() error {
	b.crew.Say("These tests energise the real relay and contactor. They prove outputs and inputs, not the craft, and replace no hard-wired stop.")
	for _, c := range []struct{ question, without string }{
		{"Local codes and the word of licensed people go before anything here. Do they allow this today?", "ask them first"},
		{"Are the propellers off every motor?", "take them off first"},
		{"Is nobody inside the keep-out, and one of you at the hard-wired emergency stop?", "clear the pad, and put one of you there"},
	} {
		yes, err := b.yes(c.question)
		if err != nil {
			return err
		}
		if !yes {
			return fmt.Errorf("%w: %s", errRefused, c.without)
		}
	}
	out, err := b.yes("Are the packs out of the craft? (They are needed only where motors are to run.)")
	if err != nil {
		return err
	}
	if !out {
		b.crew.Say("Then power can reach the motors whenever the contactor closes. Keep clear of them; take the packs out where you can.")
	}
	b.by, err = b.text("Who does these tests?", "name or initials")
	return err
}

// tests does them in order.
func (b *bench) tests(record *prooftest.Record, wanted []prooftest.Test) error {
	do := map[prooftest.Test]func(*trial) error{
		prooftest.Chain: b.chain, prooftest.Signals: b.signals, prooftest.Stop: b.stop, prooftest.Buttons: b.buttons,
		prooftest.Anemometer: b.anemometer, prooftest.LoadCell: b.loadCell, prooftest.Rotors: b.rotors, prooftest.Latency: b.latency,
		prooftest.LinkDelay: b.linkDelay,
	}
	for i, test := range wanted {
		result := trial{prooftest.Result{Test: test, By: b.by, Found: []string{}, Notes: []string{}, Figures: []prooftest.Figure{}}}
		err := b.one(fmt.Sprintf("Test %d of %d, %s.", i+1, len(wanted), test), &result, do[test])
		if unsafe := b.rig.safe(); unsafe != nil {
			b.stays = true
			result.found("POWER NOT REMOVED, or not known to be: %v. Use the hard-wired stop", unsafe)
		}
		result.At = b.cfg.Wall()
		switch skip := (skipped{}); {
		case errors.As(err, &skip):
			result.Outcome, result.Reason = prooftest.Skipped, skip.reason
			if len(result.Found) > 0 {
				result.Outcome = prooftest.Failed // what was found cannot be skipped
			}
			err = nil
		case err != nil && !errors.Is(err, errBroken):
			// The board itself failed.
			result.found("%v", err)
			err = nil
			fallthrough
		default:
			result.Outcome = prooftest.Passed
			if len(result.Found) > 0 {
				result.Outcome = prooftest.Failed
			} else if err != nil {
				result.Outcome = prooftest.Unfinished
			}
		}
		record.Tests = append(record.Tests, result.Result)
		for _, f := range result.Found {
			b.crew.Say("FOUND: " + sentence(f))
		}
		b.crew.Say(sentence(test.String() + ": " + string(result.Outcome)))
		if err != nil {
			return err
		}
		if b.stays {
			return fmt.Errorf("%w: power may remain at the rotors; use the hard-wired stop, take the packs out, and mend this first", errBroken)
		}
	}
	return nil
}

func (b *bench) one(title string, result *trial, do func(*trial) error) error {
	b.within = true
	defer func() { b.within = false }()
	ready, err := b.yes(title + " Ready?")
	if err != nil {
		return err
	}
	if !ready {
		return skipped{"the crew was not ready"}
	}
	return do(result)
}
