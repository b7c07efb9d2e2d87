package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/before/commission"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/rules"
)

type commissionCmd struct {
	Pad  string   `required:"" placeholder:"FILE" help:"Pad file of the board."`
	Only []string `placeholder:"TEST" help:"Do only this test: chain, signals, stop, buttons, anemometer, load_cell, rotors or latency; or link_delay, which is never due. May be given several times."`
	JSON bool     `help:"Print the record as one JSON object; the questions go to standard error."`
}

func (commissionCmd) Help() string {
	return "Walks the crew through every output and input with the real devices, propellers off, while no guard runs. " +
		"Each answer is one line: yes, no, a value with its unit, or skip and the reason. The dated record is kept in the log folder; " +
		"a guard refuses to start while a test is due. Local codes and licensed practice come first."
}

const commissionSchema = 1

// commissionOutput is a record of proof tests and where it is kept, as one JSON object.
type commissionOutput struct {
	Schema int               `json:"schema"`
	File   string            `json:"file"`
	Record *prooftest.Record `json:"record"`
}

func (c *commissionCmd) Run(ctx context.Context, s *streams) error {
	only, err := c.tests()
	if err != nil {
		return err
	}
	p, err := readAs("commission", c.Pad, isPad, pad.Read)
	if err != nil {
		return err
	}
	if err := canKeep(prooftest.Folder(p.LogFolder)); err != nil {
		return hint(fmt.Errorf("commission: %w", err), "the record is kept in the log folder of the pad file; "+asGuard)
	}
	// One thread for all of it: times are taken on it.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	began := time.Now()
	now := func() time.Duration { return time.Since(began) }
	board, err := guard.OpenBoard(p, now, benchboard.Open)
	if err != nil {
		err = fmt.Errorf("commission: %w", err)
		if errors.Is(err, virtual.ErrHeld) {
			return hint(err, "end the guard first; it and these tests cannot share a board")
		}
		return hint(err, "no guard may run meanwhile")
	}
	out := s.out
	if c.JSON {
		out = s.err
	}
	entry, err := ledgerNow(p)
	if err != nil {
		return errors.Join(fmt.Errorf("commission: %w", err), board.Close())
	}
	record, err := commission.Run(ctx, commission.Config{
		Pad: p, File: c.Pad, Board: board, Crew: newPeople(s.in, out), Now: now, Sleep: commission.Sleep, Wall: time.Now,
		Software: guard.Software(), Only: only, Hear: link.Open,
	})
	if cerr := board.Close(); cerr != nil {
		err = errors.Join(err, fmt.Errorf("close the board: %w", cerr))
	}
	if record == nil || len(record.Tests) == 0 {
		return hint(err, "nothing was tested, and nothing is kept")
	}
	record.Ledger = entry
	path, werr := numbered.Write(prooftest.Folder(p.LogFolder), record.Made, &record.Number, record)
	if werr != nil {
		return errors.Join(err, werr)
	}
	fmt.Fprintln(out)
	printRecord(out, record, p.Units, path)
	if c.JSON {
		if jerr := printJSON(s.out, commissionOutput{commissionSchema, path, record}); jerr != nil {
			return jerr
		}
	}
	if err != nil {
		return hint(fmt.Errorf("commission: %w", err), "nothing of this run counts as passed; what failed stays failed")
	}
	if slices.ContainsFunc(record.Tests, func(t prooftest.Result) bool { return t.Outcome != prooftest.Passed }) {
		return errFound
	}
	return nil
}

func (c *commissionCmd) tests() (only []prooftest.Test, err error) {
	for _, key := range c.Only {
		test, ok := prooftest.Named(key)
		if !ok {
			return nil, hint(fmt.Errorf("commission: no test is called %q", key), "there are %s", strings.Join(testKeys(), ", "))
		}
		if !slices.Contains(only, test) {
			only = append(only, test)
		}
	}
	return only, nil
}

func printRecord(w io.Writer, r *prooftest.Record, units, path string) {
	for _, t := range r.Tests {
		says := string(t.Outcome)
		if t.Reason != "" {
			says += ": " + t.Reason
		}
		wrap(w, fmt.Sprintf("  %-30s", t.Test), strings.Repeat(" ", 32), says)
		wrapEach(w, "      - ", "        ", t.Found)
		for _, f := range t.Figures {
			unit := f.Unit
			value := f.Value
			switch unit {
			case "1":
				unit = ""
			case "s":
				unit, value = "ms", value*1e3
			case "N", "m/s": // the crew's own
				unit = rules.DefaultUnit(map[string]rules.Kind{"N": rules.Force, "m/s": rules.Speed}[unit], units)
				value, _ = rules.Convert(value, unit)
			}
			wrap(w, "      ", "        ", strings.TrimSpace(fmt.Sprintf("%s: %.6g %s", f.Name, value, unit)))
		}
		wrapEach(w, "      ", "        ", t.Notes)
	}
	fmt.Fprintln(w)
	wrap(w, "Record: ", "        ", path)
}

// people are the crew at a terminal, or a script of answers.
type people struct {
	out   io.Writer
	lines <-chan string
	echo  bool // a script's answers are shown; a terminal does so itself
}

// newPeople reads answers in a goroutine of its own, so that a run can be
// broken off while a question stands.
func newPeople(in io.Reader, out io.Writer) *people {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for scan := bufio.NewScanner(in); scan.Scan(); {
			lines <- scan.Text()
		}
	}()
	return &people{out, lines, !onTerminal(in)}
}

func (p *people) Say(text string) { wrap(p.out, "* ", "  ", text) }

func (p *people) Ask(ctx context.Context, question, answers string) (string, error) {
	wrap(p.out, "? ", "  ", question)
	fmt.Fprintf(p.out, "  [%s] ", answers)
	select {
	case line, ok := <-p.lines:
		if !ok {
			fmt.Fprintln(p.out)
			return "", io.ErrUnexpectedEOF
		}
		if p.echo {
			fmt.Fprintln(p.out, printable(line))
		}
		return line, nil
	case <-ctx.Done():
		fmt.Fprintln(p.out)
		return "", ctx.Err()
	}
}

// testKeys are the keys of all proof tests.
func testKeys() (keys []string) {
	for t := prooftest.Test(0); ; t++ {
		if _, ok := prooftest.Named(t.Key()); !ok {
			return keys
		}
		keys = append(keys, t.Key())
	}
}
