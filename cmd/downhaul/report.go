package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"downhaul/interlock/after/report"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/rules/card"
	"downhaul/rules/words"
)

type reportCmd struct {
	JSON     bool     `help:"Print one JSON object. The page is then only written where --out says."`
	Out      string   `placeholder:"DIR" help:"Folder for the page, report.html (made if it is not there; otherwise the present one)."`
	Force    bool     `help:"Write over files that are there already."`
	WhatIf   string   `placeholder:"CHANGES" help:"Ask the lift forecast for a changed craft, such as motors=10,mass=-15lb,cells=14."`
	Table    string   `placeholder:"FILE" help:"The thrust stand's table of one motor as it flew: it gives the forecast its shape, the flights the scale."`
	CSV      string   `name:"csv" placeholder:"FILE" help:"Write a table of --channels at the rate at which they came, with both clocks, instead of a report; - is the standard output."`
	Channels string   `placeholder:"NAME,..." help:"The channels of the table, such as wind.gust3s,craft.height."`
	Pad      string   `placeholder:"FILE" help:"For recordings: the pad file, whose craft, which packs, which sensors."`
	Envelope string   `placeholder:"FILE" help:"For recordings: the limits to hold them against. Without it, none."`
	Card     string   `placeholder:"FILE" help:"For recordings: the test card, for ballast and mass."`
	Step     []string `sep:"none" placeholder:"NAME" help:"For recordings: the step of the test card that flew in them; or one --step for each recording, in their order."`
	Port     uint16   `placeholder:"N" help:"For recordings: of a capture, take only what went to this UDP port."`
	Sessions []string `arg:"" name:"session" help:"Session folders, in the order to show them; or recordings: pcapng or pcap of the telemetry link, or raw MAVLink bytes; packed with gzip as well."`

	alone report.Files
}

func (reportCmd) Help() string {
	return "Says what happened: runs, trips with their first cause, how near every limit came, wind, packs, link, proof tests and integrity, " +
		"and what this set-up could not see. Of a recording that is no session, with --pad, the times in which the craft was armed are the runs, " +
		"and what it cannot tell is said. Prints a summary and writes one page that opens without a network and prints. Exit code 1 means " +
		"that there is something to look at: a trip, a fault, a log that is not whole."
}

const pageName = "report.html"

func (c *reportCmd) Run(ctx context.Context, s *streams) error {
	if err := c.files(); err != nil {
		return err
	}
	if c.CSV != "" || c.Channels != "" {
		return c.table(ctx, s)
	}
	asked, err := c.asked()
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	page := ""
	if !c.JSON || c.Out != "" {
		page = filepath.Join(c.Out, pageName)
		if err := notThere(page, c.Force); err != nil && !errors.Is(err, fs.ErrNotExist) { // the folder may yet be made
			return fmt.Errorf("report: %w", err)
		}
	}
	rep, bad := c.read(ctx, s, asked)
	if rep == nil {
		return bad
	}
	// Files first: a reader of the text may go away, or take its time.
	var files bytes.Buffer
	var unwritten error
	if page != "" {
		if unwritten = c.writePage(page, rep); unwritten == nil {
			wrap(&files, "Page: ", "  ", page)
			c.markReported(&files, rep)
			c.keepShown(&files, rep)
		}
	}
	if c.JSON {
		if err := printJSON(s.out, rep); err != nil {
			return err
		}
	} else {
		printReport(s.out, rep)
		fmt.Fprintln(s.out)
		if _, err := files.WriteTo(s.out); err != nil {
			return err
		}
	}
	switch {
	case unwritten != nil:
		return errors.Join(bad, unwritten)
	case bad != nil:
		return bad
	case rep.Lift.Unanswered != "":
		return fmt.Errorf("report: %s", rep.Lift.Unanswered)
	case rep.Found():
		return errFound
	}
	return nil
}

// files reads the files that go with recordings.
func (c *reportCmd) files() error {
	if (c.Pad+c.Envelope+c.Card != "" || len(c.Step) > 0 || c.Port > 0) && !slices.ContainsFunc(c.Sessions, isRecording) {
		for _, name := range c.Sessions {
			if _, err := os.Stat(name); err != nil {
				return fmt.Errorf("report: %w", err)
			}
		}
		return hint(errors.New("report: --pad, --envelope, --card, --step and --port are for recordings, and none is named"), "a session is reported on with the files that it ran with")
	}
	c.alone.Port = c.Port
	var err error
	if c.alone.Pad, err = readPad("report", c.Pad); err != nil {
		return err
	}
	if c.Envelope != "" {
		if c.alone.Envelope, err = readEnvelope("report", c.Envelope); err != nil {
			return err
		}
	}
	if c.Card != "" {
		if c.alone.Card, err = readAs("report", c.Card, isCard, card.Read); err != nil {
			return err
		}
	}
	if len(c.Step) > 0 && c.alone.Card == nil {
		return hint(errors.New("report: --step names a step of a test card"), "give the card with --card FILE")
	}
	for _, name := range c.Step {
		if _, ok := c.alone.Card.Step(name); !ok {
			return fmt.Errorf("report: the test card has no step %q", name)
		}
	}
	recordings := 0
	for _, name := range c.Sessions {
		if isRecording(name) {
			recordings++
		}
	}
	if n := len(c.Step); n > 1 && n != recordings {
		return fmt.Errorf("report: %d steps for %s; give one for all, or one for each in their order", n, words.Count(recordings, "recording"))
	}
	return nil
}

// isRecording reports whether a name is a file: a recording and no session's folder.
func isRecording(name string) bool {
	info, err := os.Stat(name)
	return err == nil && !info.IsDir()
}

// one reads a session, or a recording with its files.
func (c *reportCmd) one(ctx context.Context, name string, opt report.Options) (*report.Session, error) {
	if isRecording(name) {
		files := c.alone
		if len(c.Step) > 0 {
			files.Step = c.Step[0]
		}
		if len(c.Step) > 1 {
			c.Step = c.Step[1:]
		}
		return report.ReadAlone(ctx, name, files, opt)
	}
	return report.Read(ctx, name, opt)
}

// markReported notes in each session that a page was made of it: a guard that
// makes room removes no trip that nobody has reported on. A folder that cannot
// be written keeps the session from being removed, and that is all.
func (c *reportCmd) markReported(says io.Writer, rep *report.Report) {
	for _, dir := range c.Sessions {
		ses, err := session.Open(dir)
		if err != nil {
			continue // it is among those that failed
		}
		e, err := ses.Ending()
		if err == nil {
			var text []byte
			text, _ = json.Marshal(session.Reported{V: 1, Trips: e.Trips, Lines: e.Log.Lines, At: rep.Made.UTC().Round(0)}) // numbers alone
			err = numbered.WriteWhole(filepath.Join(dir, session.ReportedName), append(text, '\n'), 0o644)
		}
		if err != nil {
			wrap(says, "Note: ", "  ", fmt.Sprintf("note that session %s is reported on: %v, so it is never removed to make room%s", ses.Info.Session, err, pick(errors.Is(err, fs.ErrPermission), "; "+asGuard, "")))
		}
	}
}

// keepShown keeps what a guard holds against the test card, beside the sessions.
func (c *reportCmd) keepShown(says io.Writer, rep *report.Report) {
	record := rep.Shown()
	if record == nil {
		return
	}
	say := func(format string, args ...any) { wrap(says, "Note: ", "  ", fmt.Sprintf(format, args...)) }
	folder := ""
	for _, dir := range c.Sessions {
		abs, err := filepath.Abs(dir)
		if err != nil || folder != "" && filepath.Dir(abs) != folder {
			say("sessions of several folders: nothing is kept for a guard's test card; report on those of one log folder")
			return
		}
		folder = filepath.Dir(abs)
	}
	path, err := numbered.Write(flown.Folder(folder), record.Made, &record.Number, record)
	if err != nil {
		say("nothing is kept for a guard's test card: %v%s", err, pick(errors.Is(err, fs.ErrPermission), "; "+asGuard, ""))
		return
	}
	wrap(says, "For the test card: ", "  ", "record "+filepath.Join("shown", filepath.Base(path))+" beside the sessions")
}

// writePage makes the folder and writes the page there.
func (c *reportCmd) writePage(name string, rep *report.Report) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return makeNew(name, c.Force, rep.WritePage)
}

// read reads all sessions; what fails is in the report and in the error.
func (c *reportCmd) read(ctx context.Context, s *streams, asked report.Asked) (*report.Report, error) {
	show := c.progress(s)
	defer show.end()
	var sessions []*report.Session
	var failed []report.Failure
	var bad []error
	for _, dir := range c.Sessions {
		ses, err := c.one(ctx, dir, report.Options{Counting: show.read, Software: guard.Software()})
		show.done.Add(1)
		switch {
		case ctx.Err() != nil:
			return nil, errors.New("report: interrupted")
		case err != nil:
			failed = append(failed, report.Failure{Folder: dir, Error: err.Error()})
			err = fmt.Errorf("report %s: %w", dir, err)
			if !isRecording(dir) {
				err = hint(err, "name session folders: each holds a session.json; or recordings")
			}
			bad = append(bad, err)
		default:
			sessions = append(sessions, ses)
		}
	}
	if len(sessions) == 0 {
		return nil, errors.Join(bad...)
	}
	return report.Of(time.Now().Truncate(time.Second), guard.Software(), sessions, failed, asked), errors.Join(bad...)
}

// progress shows how much of the sessions was read.
func (c *reportCmd) progress(s *streams) *progress {
	show := newProgress(s.err, "report", len(c.Sessions))
	for _, dir := range c.Sessions {
		show.total += folderSize(dir)
	}
	show.begin()
	return show
}

func folderSize(dir string) (total int64) {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return info.Size()
	}
	_ = plain.Names(dir, func(name string) {
		if info, err := os.Lstat(filepath.Join(dir, name)); err == nil && !info.IsDir() {
			total += info.Size()
		}
	})
	return total
}
