package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"downhaul/interlock/bench"
	"downhaul/interlock/pad"
	"downhaul/interlock/recording"
	"downhaul/interlock/session"
	"downhaul/rules"
)

type replayCmd struct {
	Envelope   string   `placeholder:"FILE" help:"The envelope to hold them against. Without it, sessions are replayed with their own files and compared with their own trip logs."`
	Pad        string   `placeholder:"FILE" help:"The pad file: whose craft, which packs, which sensors. Without it, a session's own, or what the recording itself shows."`
	JSON       bool     `help:"Print one JSON object."`
	Recordings []string `arg:"" name:"rec" help:"Session folder, pcapng or pcap of the telemetry link, or raw MAVLink bytes."`
}

func (replayCmd) Help() string {
	return "Runs recordings through an envelope with the very core that guards, and shows each time a rule would have asked " +
		"for a stop, as if the guard had been watching from the first frame. A session without --envelope is replayed as it ran, " +
		"and replay says whether its decisions are the same, byte for byte. Exit code 1 means that something tripped, or differs."
}

const replaySchema = 1

func (c *replayCmd) Run(s *streams) error {
	var env *rules.Envelope
	var p *pad.Pad
	if c.Envelope != "" {
		text, err := os.ReadFile(c.Envelope)
		if err != nil {
			return hint(fmt.Errorf("replay: %w", err), `"downhaul new DIR" writes an envelope to begin with`)
		}
		var faults error
		if e, f := rules.ReadEnvelope(c.Envelope, text); len(f) > 0 {
			faults = f
		} else {
			env = e
		}
		if faults != nil {
			return hint(faults, `"downhaul check" says more`)
		}
	}
	if c.Pad != "" {
		text, err := os.ReadFile(c.Pad)
		if err != nil {
			return fmt.Errorf("replay: %w", err)
		}
		got, faults := pad.Read(c.Pad, text)
		if len(faults) > 0 {
			return hint(faults, `"downhaul check" says more`)
		}
		p = got
	}
	var results []*bench.Result
	var envelopes []*rules.Envelope
	found := false
	for _, name := range c.Recordings {
		r, used, err := c.one(name, env, p)
		if err != nil {
			return err
		}
		results = append(results, r)
		envelopes = append(envelopes, used)
		found = found || len(r.Trips) > 0 && (r.Equal == nil) || r.Equal != nil && !r.Equal.Holds
	}
	if c.JSON {
		if err := printJSON(s.out, struct {
			Schema     int             `json:"schema"`
			Recordings []*bench.Result `json:"recordings"`
		}{replaySchema, results}); err != nil {
			return err
		}
	} else {
		for i, r := range results {
			if i > 0 {
				fmt.Fprintln(s.out)
			}
			printReplay(s.out, r, envelopes[i])
		}
	}
	if found {
		return errFound
	}
	return nil
}

// one replays one recording or session and gives the envelope it was held
// against.
func (c *replayCmd) one(name string, env *rules.Envelope, p *pad.Pad) (*bench.Result, *rules.Envelope, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, nil, fmt.Errorf("replay: %w", err)
	}
	parts := []string{name}
	if info.IsDir() {
		ses, err := session.Open(name)
		if err != nil {
			return nil, nil, hint(fmt.Errorf("replay %s: %w", name, err), "name a session folder, or a recording")
		}
		if env == nil {
			setup, err := bench.SessionSetup(ses)
			if err != nil {
				return nil, nil, fmt.Errorf("replay %s: %w", name, err)
			}
			r, err := bench.ReplaySession(ses)
			if err != nil {
				return nil, nil, fmt.Errorf("replay %s: %w", name, err)
			}
			return r, setup.Envelope, nil
		}
		if parts, err = ses.RecordingParts(); err != nil {
			return nil, nil, fmt.Errorf("replay %s: %w", name, err)
		}
		if p == nil {
			text, err := ses.Text(session.Pad)
			if err != nil {
				return nil, nil, fmt.Errorf("replay %s: %w", name, err)
			}
			got, faults := pad.Read(filepath.Join(name, session.Pad), text)
			if len(faults) > 0 {
				return nil, nil, faults
			}
			p = got
		}
	}
	if env == nil {
		return nil, nil, hint(errors.New("replay: no envelope to hold "+name+" against"), "give --envelope FILE; only a session folder has its own")
	}
	setup, notes, err := bench.Watching(parts, env, p)
	if err != nil {
		return nil, nil, fmt.Errorf("replay %s: %w", name, err)
	}
	rec, err := recording.OpenParts(parts)
	if err != nil {
		return nil, nil, fmt.Errorf("replay: %w", err)
	}
	defer rec.Close()
	r, err := bench.Replay(name, rec, setup)
	if err != nil {
		return nil, nil, fmt.Errorf("replay: %w", err)
	}
	r.Notes = append(notes, r.Notes...)
	return r, env, nil
}

func printReplay(w io.Writer, r *bench.Result, env *rules.Envelope) {
	wrap(w, "", "  ", fmt.Sprintf("%s: %.1f s, %s of craft %d.%d, %d ignored, %d bad bytes",
		r.File, r.DurationS, plural(r.Frames, "frame"), r.System, r.Component, r.Ignored, r.BadBytes))
	if r.Equal != nil {
		wrap(w, "  ", "    ", r.Equal.Says()+".")
		if !r.Equal.Holds {
			wrap(w, "    log:    ", "      ", r.Equal.Log)
			wrap(w, "    replay: ", "      ", r.Equal.Here)
		}
	}
	if len(r.Trips) == 0 {
		fmt.Fprintln(w, "  No trip.")
	}
	printEvents(w, "TRIP", r.Trips, env)
	printEvents(w, "caution", r.Cautions, env)
	fmt.Fprintln(w, "  Least distance to the limit while the rule was in force:")
	for _, h := range r.Headroom {
		rule := &env.Rules[h.Index]
		text := "never had a value in force"
		if h.Least != nil {
			text = fmt.Sprintf("%s at %.2f s", rules.FormatDifference(*h.Least, rule.Unit), h.AtS)
			if *h.Least < 0 {
				text += " (past it)"
			}
		}
		wrap(w, fmt.Sprintf("    %-24s ", h.Rule), strings.Repeat(" ", 8), text)
	}
	for _, name := range r.NeverHeard {
		wrap(w, "  Never heard: ", "    ", name)
	}
	for _, n := range r.Notes {
		wrap(w, "  Note: ", "    ", n)
	}
}

// mostEvents is how many events of one kind are printed one by one.
const mostEvents = 30

// printEvents prints the limits that were left one by one, and what came of a
// missing channel or a built-in interlock in one line each: a thin link can
// bring hundreds.
func printEvents(w io.Writer, what string, events []bench.Event, env *rules.Envelope) {
	type row struct {
		text        string
		count       int
		first, last float64
	}
	var rows []row
	shown := 0
	for _, e := range events {
		text := eventText(e, env)
		if e.Value != nil {
			shown++
			if shown > mostEvents {
				continue
			}
			if what == "TRIP" {
				text += " (" + e.Stop + " stop" + pick(e.FirstOut, ", first cause)", ")")
			}
			wrap(w, fmt.Sprintf("  %8.2f s  %-7s  ", e.AtS, what), strings.Repeat(" ", 22), text)
			continue
		}
		i := slices.IndexFunc(rows, func(r row) bool { return r.text == text })
		if i < 0 {
			i = len(rows)
			rows = append(rows, row{text: text, first: e.AtS})
		}
		rows[i].count++
		rows[i].last = e.AtS
	}
	if shown > mostEvents {
		wrap(w, strings.Repeat(" ", 13), strings.Repeat(" ", 22), fmt.Sprintf("%-7s  %d more of these; --json lists them all", what, shown-mostEvents))
	}
	for _, r := range rows {
		times := fmt.Sprintf("at %.2f s", r.first)
		if r.count > 1 {
			times = fmt.Sprintf("%d times, %.2f to %.2f s", r.count, r.first, r.last)
		}
		wrap(w, fmt.Sprintf("  %s  %-7s  ", strings.Repeat(" ", 10), what), strings.Repeat(" ", 22), r.text+", "+times)
	}
}

func eventText(e bench.Event, env *rules.Envelope) string {
	f := e.Effect()
	if f.Rule < 0 {
		return e.Rule
	}
	rule := &env.Rules[f.Rule]
	if e.Value == nil {
		return fmt.Sprintf("%s: %s %s", e.Rule, e.Channel, e.Cause)
	}
	value, limit := rules.Format(*e.Value, rule.Unit), rules.Format(*e.Limit, rule.Unit)
	if value == limit {
		return fmt.Sprintf("%s: %s just past %s", e.Rule, e.Channel, limit)
	}
	return fmt.Sprintf("%s: %s %s against %s", e.Rule, e.Channel, value, limit)
}
