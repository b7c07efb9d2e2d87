package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"downhaul/interlock/after/report"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/limits"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/model/rehearsal/album"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/words"
)

// from flies a run of a recorded session again: with the limits of its day and, where
// others were named, with those.
func (c *rehearseCmd) from(ctx context.Context, s *streams, dir string) error {
	heard, step, err := c.recorded(ctx)
	if err != nil {
		return err
	}
	if c.Step == "" {
		c.Step = step
	}
	limitsOf := []string{""}
	if c.Envelope != "" {
		limitsOf = append(limitsOf, c.Envelope)
	}
	// All files are looked at before anything is flown or said.
	var sets []*rehearsal.Setup
	for _, envelope := range limitsOf {
		files, err := guard.ReadFiles(c.Pad, envelope, c.Card)
		if err != nil {
			return fmt.Errorf("rehearse: %w", err)
		}
		set, err := rehearsal.Prepare(files, c.Step, dir, false)
		if err != nil {
			return err
		}
		sets = append(sets, set)
	}
	var results []*rehearsal.Result
	for i, set := range sets {
		set.Craft.Config.Seed, set.Quiet = c.Seed, true
		scenario, unknown := heard.Scenario(set)
		if i > 0 {
			scenario.Title += ", with other limits"
		}
		own, err := set.In(filepath.Join(dir, fmt.Sprintf("%02d", i+1)))
		if err != nil {
			return err
		}
		r, err := own.Fly([]string{"as-recorded", "other-limits"}[i], scenario)
		if err != nil {
			return err
		}
		r.AsExpected = true // nothing was expected
		if results = append(results, r); c.JSON {
			continue
		}
		if i == 0 {
			printRehearsed(s, set)
			for j, text := range unknown {
				wrap(s.out, pick(j == 0, "Not known: ", "           "), "           ", text+".")
			}
			wrap(s.out, "That day:  ", "           ", fmt.Sprintf("power on for %.2f s; %s.", (heard.End-heard.Begin).Seconds(), heard.How))
			fmt.Fprintln(s.out)
		}
		printFlight(s, set, r, c.Out == "")
		if most, half, ok := heard.Apart(r.Course); ok {
			wrap(s.out, "Followed:  ", "           ", fmt.Sprintf("while power was on, its height was within %s of the recorded one half of the time, and %s off at most.", set.Show(half, rules.Length), set.Show(most, rules.Length)))
			fmt.Fprintln(s.out)
		}
	}
	set := sets[len(sets)-1]
	if c.JSON {
		if err := printJSON(s.out, rehearsedJSON(set, results, c.Out == "")); err != nil {
			return err
		}
	}
	return c.page(s, dir, album.Shown{Setup: set, Flights: results})
}

// recorded reads the run out of the session, and which step it flew; where pad and card
// are not named, those of the session are taken.
func (c *rehearseCmd) recorded(ctx context.Context) (*rehearsal.Recorded, string, error) {
	if info, err := os.Stat(c.From); err == nil && !info.IsDir() {
		return nil, "", hint(fmt.Errorf("rehearse: %s is no folder", c.From), "--from names a session's own folder, such as LOGS/2026-05-30T18-04-11Z-s0001: its files say what its recording means")
	}
	opt := report.Options{Software: guard.Software()}
	ses, err := report.Read(ctx, c.From, opt)
	if err != nil {
		return nil, "", fmt.Errorf("rehearse: %w", err)
	}
	if len(ses.Runs) == 0 {
		return nil, "", hint(fmt.Errorf("rehearse: in session %s power never came on: there is no run to fly again", ses.Session), "name a session that flew; downhaul report lists the runs of one")
	}
	n := max(c.Run_, 1)
	if n > len(ses.Runs) {
		return nil, "", fmt.Errorf("rehearse: session %s has %s, and no run %d", ses.Session, words.Count(len(ses.Runs), "run"), n)
	}
	run := &ses.Runs[n-1]
	if run.Begin == nil || run.Lasted == nil {
		return nil, "", fmt.Errorf("rehearse: of run %d of session %s it is not known when it began and ended", n, ses.Session)
	}
	at := func(q *report.Quantity) time.Duration { return time.Duration(q.Value * float64(time.Second)) }
	out := &rehearsal.Recorded{Begin: at(run.Begin), How: run.How}
	out.End = out.Begin + at(run.Lasted)
	err = report.Follow(ctx, c.From, []rules.ChannelID{rules.Height, rules.WindSpeed}, opt, func(id rules.ChannelID, when time.Duration, v limits.Reading) {
		switch {
		case v.Quality == rules.Missing || when < out.Begin || when > out.End:
		case id == rules.Height:
			out.Height = append(out.Height, rehearsal.Point{At: when, V: v.Value})
		default:
			out.Wind = append(out.Wind, rehearsal.Point{At: when, V: v.Value})
		}
	})
	if err != nil {
		return nil, "", fmt.Errorf("rehearse: %w", err)
	}
	if len(out.Height) == 0 {
		return nil, "", fmt.Errorf("rehearse: run %d of session %s has no height of the craft, so there is nothing to follow", n, ses.Session)
	}
	if c.Pad == "" {
		c.Pad = filepath.Join(c.From, session.Pad)
		if _, err := os.Stat(c.Pad); errors.Is(err, os.ErrNotExist) {
			return nil, "", hint(fmt.Errorf("rehearse: %w", err), "the session keeps no pad file: name one with --pad")
		}
	}
	return out, run.Step, nil
}
