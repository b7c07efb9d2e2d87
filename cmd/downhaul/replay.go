package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

type replayCmd struct {
	Envelope   string   `placeholder:"FILE" help:"The envelope to hold them against. Without it, sessions are replayed with their own files and compared with their own trip logs."`
	Pad        string   `placeholder:"FILE" help:"The pad file: whose craft, which packs, which sensors. Without it, a session's own, or what the recording itself shows."`
	JSON       bool     `help:"Print one JSON object."`
	Plot       string   `placeholder:"DIR" help:"Draw each watched channel against its limits into this folder, as SVG."`
	Force      bool     `help:"Replace pictures that are there already."`
	Recordings []string `arg:"" name:"rec" help:"Session folder, pcapng or pcap of the telemetry link, or raw MAVLink bytes."`
}

func (replayCmd) Help() string {
	return "Runs recordings through an envelope with the very core that guards, and shows each time a rule would have asked " +
		"for a stop, as if the guard had been watching from the first frame. A session without --envelope is replayed as it ran, " +
		"and replay says whether its decisions are the same, byte for byte. Exit code 1 means that something tripped, then or now, or differs."
}

const replaySchema = 1

func (c *replayCmd) Run(ctx context.Context, s *streams) error {
	var env *rules.Envelope
	var err error
	if c.Envelope != "" {
		if env, err = readEnvelope("replay", c.Envelope); err != nil {
			return err
		}
	}
	p, err := readPad("replay", c.Pad)
	if err != nil {
		return err
	}
	names := pictureNames(c.Recordings)
	results, failed, bad := eachRecording(ctx, s, "replay", c.Recordings, func(j *job) (*replayed, error) { return c.one(j, env, p, names[j.name]) })
	if len(results) == 0 {
		return bad
	}
	found := false
	shown := make([]*bench.Result, len(results))
	for i, r := range results {
		shown[i] = r.Result
		found = found || uint64(len(r.Trips))+r.TripsUnlisted > 0 || r.Equal != nil && !r.Equal.Holds
	}
	if c.JSON {
		if err := printJSON(s.out, struct {
			Schema     int             `json:"schema"`
			Recordings []*bench.Result `json:"recordings"`
			Failed     []failure       `json:"failed"`
		}{replaySchema, shown, failed}); err != nil {
			return err
		}
	} else {
		for i, r := range results {
			if i > 0 {
				fmt.Fprintln(s.out)
			}
			printReplay(s.out, r.Result, r.env)
			for _, path := range r.pictures {
				fmt.Fprintf(s.out, "  wrote %s\n", printable(path))
			}
		}
		if len(results) > 1 {
			fmt.Fprintln(s.out)
			wrap(s.out, "", "  ", replaySummary(shown, len(failed)))
		}
	}
	switch {
	case bad != nil:
		return bad
	case found:
		return errFound
	}
	return nil
}

// replayed is one result with the envelope that the recording was held against.
type replayed struct {
	*bench.Result
	env      *rules.Envelope
	pictures []string
}

// one replays one recording or session.
func (c *replayCmd) one(j *job, env *rules.Envelope, p *pad.Pad, picture string) (*replayed, error) {
	if env == nil {
		if j.ses == nil {
			return nil, hint(errors.New("no envelope to hold it against"), "give --envelope FILE; only a session folder has its own")
		}
		setup, err := bench.SessionSetup(j.ses)
		if err != nil {
			return nil, err
		}
		pictures, err := c.pictures(setup.Envelope, picture)
		if err != nil {
			return nil, err
		}
		r, err := bench.ReplaySession(j.ses, append(pictures.options(j), bench.By(guard.Software()))...)
		if err != nil {
			return nil, err
		}
		if err := r.Sort(j.parts); err != nil {
			return nil, err
		}
		return &replayed{r, setup.Envelope, pictures.files}, pictures.draw(setup.Envelope, r)
	}
	pictures, err := c.pictures(env, picture)
	if err != nil {
		return nil, err
	}
	var r *bench.Result
	notes, err := j.against(env, p, func(rec *recording.Reader, setup bench.Setup) (err error) {
		r, err = bench.Replay(j.name, rec, setup, pictures.options(j)...)
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := r.Sort(j.parts); err != nil {
		return nil, err
	}
	r.Notes = append(notes, r.Notes...)
	return &replayed{r, env, pictures.files}, pictures.draw(env, r)
}

// replaySummary is the last line of several recordings.
func replaySummary(all []*bench.Result, failed int) string {
	trips, cautions, tripped, seconds := uint64(0), uint64(0), 0, 0.0
	for _, r := range all {
		n := uint64(len(r.Trips)) + r.TripsUnlisted
		trips += n
		cautions += uint64(len(r.Cautions)) + r.CautionsUnlisted
		seconds += r.DurationS
		if n > 0 {
			tripped++
		}
	}
	text := fmt.Sprintf("All together: %s, %.1f s; %s in %d of them, %s.", plural(len(all), "recording"), seconds,
		plural(trips, "trip"), tripped, plural(cautions, "caution"))
	if failed > 0 {
		text += fmt.Sprintf(" %s could not be replayed.", plural(failed, "recording"))
	}
	return text
}

func printReplay(w io.Writer, r *bench.Result, env *rules.Envelope) {
	damaged := ""
	if r.Damaged != nil {
		damaged = fmt.Sprintf("%s damaged (%s), ", plural(r.Damaged.Count, "frame"), plural(r.Damaged.Bytes, "byte"))
	}
	wrap(w, "", "  ", fmt.Sprintf("%s: %.1f s, %s of craft %d.%d, %d ignored, %s%d bad bytes",
		r.File, r.DurationS, plural(r.Frames, "frame"), r.System, r.Component, r.Ignored, damaged, r.BadBytes))
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
	printEvents(w, "BEHIND", r.Consequences, env)
	printEvents(w, "caution", r.Cautions, env)
	if n := r.TripsUnlisted + r.CautionsUnlisted; n > 0 {
		wrap(w, "  ", "    ", fmt.Sprintf("%d more trips and cautions are only counted.", n))
	}
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
	printLink(w, &r.Link)
	for _, g := range r.IgnoredWhy {
		wrap(w, "  Ignored: ", "    ", fmt.Sprintf("%d %s", g.Count, g.What))
	}
	for _, name := range r.NeverHeard {
		wrap(w, "  Never heard: ", "    ", name)
	}
	for _, n := range r.Notes {
		wrap(w, "  Note: ", "    ", n)
	}
}

// silentEnd is the silence at the end of a recording from which it is told though a
// longer one stands before it, in seconds. Ours: five times the heartbeat's period.
const silentEnd = 5

// printLink says how the craft's frames came in.
func printLink(w io.Writer, l *bench.Link) {
	text := fmt.Sprintf("%s lost by their numbers", plural(l.Lost, "frame"))
	if l.Breaks > 0 {
		text += fmt.Sprintf(", in %s", plural(l.Breaks, "place"))
	}
	what := "longest silence"
	if l.SilentAfterS == 0 {
		what = "longest gap of the craft's own clock"
	}
	text += fmt.Sprintf("; %s %s at %.2f s", what, rules.Format(l.SilenceS, "s"), l.SilenceAtS)
	switch {
	case l.SilentToEndS >= l.SilenceS && l.SilenceS > 0:
		text += ", up to the end"
	case l.SilentToEndS >= silentEnd:
		text += fmt.Sprintf(", and the last %s without a word of it", rules.Format(l.SilentToEndS, "s"))
	}
	if l.Silences > 0 {
		text += fmt.Sprintf(", %d over %s", l.Silences, rules.Format(l.SilentAfterS, "s"))
	}
	switch {
	case l.LagS != nil && *l.LagS < 0.001:
		text += "; no lag seen"
	case l.LagS != nil:
		text += fmt.Sprintf("; lag up to %s at %.2f s", rules.Format(*l.LagS, "s"), l.LagAtS)
	default:
		text += "; lag cannot be told from it"
	}
	wrap(w, "  Link: ", "    ", text)
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
	rule, silence := &env.Rules[f.Rule], ""
	if f.Reason == interlock.ReasonThenSilent {
		silence = fmt.Sprintf(", %v for %.1f s", f.Reason, f.Lasted.Seconds())
	}
	if e.Value == nil {
		return fmt.Sprintf("%s: %s %s", e.Rule, e.Channel, e.Cause) + silence
	}
	value, limit := rules.Format(*e.Value, rule.Unit), rules.Format(*e.Limit, rule.Unit)
	text := fmt.Sprintf("%s: %s %s against %s", e.Rule, e.Channel, value, limit)
	if value == limit {
		text = fmt.Sprintf("%s: %s just past %s", e.Rule, e.Channel, limit)
	}
	return text + silence
}
