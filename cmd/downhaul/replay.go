package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/before/bench/overlay"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

type replayCmd struct {
	Envelope   string   `placeholder:"FILE" help:"The envelope to hold them against. Without it, sessions are replayed with their own files and compared with their own trip logs."`
	Pad        string   `placeholder:"FILE" help:"The pad file: whose craft, which packs, which sensors. Without it, a session's own, or what the recording itself shows."`
	Port       uint16   `placeholder:"N" help:"Of a capture, take only what went to this UDP port."`
	With       string   `placeholder:"FILE" help:"Lay the faults of this scenario over each recording (silence, delay, loss, a channel frozen, missing or off, a reboot, a second sender)."`
	JSON       bool     `help:"Print one JSON object."`
	Plot       string   `placeholder:"DIR" help:"Draw each watched channel against its limits into this folder, as SVG."`
	Force      bool     `help:"Replace pictures that are there already."`
	Recordings []string `arg:"" name:"rec" help:"Session folder, pcapng or pcap of the telemetry link, or raw MAVLink bytes; packed with gzip as well."`
}

func (replayCmd) Help() string {
	return "Runs recordings through an envelope with the very core that guards, and shows each time a rule would have asked " +
		"for a stop, as if the guard had been watching from the first frame. A session without --envelope is replayed as it ran, " +
		"and replay says whether its decisions are the same, byte for byte. Exit code 1 means that something tripped, then or now, or differs."
}

const replaySchema = 1

// replayOutput is what a replay of recordings found, as one JSON object.
type replayOutput struct {
	Schema     int             `json:"schema"`
	Recordings []*bench.Result `json:"recordings"`
	Failed     []failure       `json:"failed"`

	all []*replayed
}

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
	var faults *overlay.Scenario
	if c.With != "" {
		if env == nil {
			return hint(errors.New("replay: with faults laid over it a session is no longer as it ran"), "give the limits to hold it against with --envelope FILE")
		}
		text, err := plain.Read(c.With, plain.Setup)
		if err != nil {
			return fmt.Errorf("replay: %w", err)
		}
		if faults, err = overlay.Read(c.With, text); err != nil {
			return fmt.Errorf("replay: %w", err)
		}
	}
	names := pictureNames(c.Recordings)
	results, failed, bad := eachRecording(ctx, s, "replay", c.Recordings, func(j *job) (*replayed, error) { return c.one(j, env, p, faults, names[j.name]) })
	if len(results) == 0 {
		return bad
	}
	found := false
	shown := make([]*bench.Result, len(results))
	for i, r := range results {
		shown[i] = r.Result
		found = found || uint64(len(r.Trips))+r.TripsUnlisted > 0 || r.Equal != nil && !r.Equal.Holds
	}
	return s.conclude(&replayOutput{replaySchema, shown, failed, results}, c.JSON, bad, found)
}

func (o *replayOutput) print(w io.Writer) {
	for i, r := range o.all {
		if i > 0 {
			fmt.Fprintln(w)
		}
		printReplay(w, r.Result, r.env, r.began)
		for _, path := range r.pictures {
			fmt.Fprintf(w, "  wrote %s\n", printable(path))
		}
	}
	if len(o.all) > 1 {
		fmt.Fprintln(w)
		wrap(w, "", "  ", replaySummary(o.Recordings, len(o.Failed)))
	}
}

// replayed is one result with the envelope that the recording was held against.
type replayed struct {
	*bench.Result
	env      *rules.Envelope
	began    time.Time // of a session, by its clock; zero of a recording
	pictures []string
}

// one replays one recording or session.
func (c *replayCmd) one(j *job, env *rules.Envelope, p *pad.Pad, faults *overlay.Scenario, picture string) (*replayed, error) {
	j.toPort(c.Port)
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
		if err := r.Sort(j.parts, j.how...); err != nil {
			return nil, err
		}
		return &replayed{r, setup.Envelope, j.ses.Info.Wall, pictures.files}, pictures.draw(setup.Envelope, r)
	}
	pictures, err := c.pictures(env, picture)
	if err != nil {
		return nil, err
	}
	var r *bench.Result
	notes, err := j.against(env, p, func(rec *recording.Reader, setup bench.Setup) (err error) {
		how := pictures.options(j)
		if faults != nil {
			how = append(how, bench.With(faults.Clone()))
		}
		r, err = bench.Replay(j.name, rec, setup, how...)
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := r.Sort(j.parts, j.how...); err != nil {
		return nil, err
	}
	r.Notes = slices.Insert(r.Notes, 0, notes...)
	return &replayed{r, env, time.Time{}, pictures.files}, pictures.draw(env, r)
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
	text := fmt.Sprintf("All together: %s, %.1f s; %s in %d of them, %s.", words.Count(len(all), "recording"), seconds,
		words.Count(trips, "trip"), tripped, words.Count(cautions, "caution"))
	if failed > 0 {
		text += fmt.Sprintf(" %s could not be replayed.", words.Count(failed, "recording"))
	}
	return text
}

func printReplay(w io.Writer, r *bench.Result, env *rules.Envelope, began time.Time) {
	damaged := ""
	if r.Damaged != nil {
		damaged = fmt.Sprintf("%s damaged (%s), ", words.Count(r.Damaged.Count, "frame"), words.Count(r.Damaged.Bytes, "byte"))
	}
	wrap(w, "", "  ", fmt.Sprintf("%s: %.1f s, %s of craft %d.%d, %d ignored, %s%d bad bytes",
		r.File, r.DurationS, words.Count(r.Frames, "frame"), r.System, r.Component, r.Ignored, damaged, r.BadBytes))
	if !began.IsZero() {
		wrap(w, "  ", "    ", "Began: "+timeofday.Day(began)+"; times of day are local.")
	}
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
	for _, what := range []struct{ kind, shown string }{{"trip", "TRIP"}, {"consequence", "BEHIND"}, {"caution", "caution"}} {
		printLike(w, what.kind, what.shown, r.Like, env, began)
	}
	fmt.Fprintln(w, "  Each rule while it was in force, with the least distance to its limit:")
	for _, h := range r.Headroom {
		wrap(w, fmt.Sprintf("    %-24s ", h.Rule), strings.Repeat(" ", 8), ruleText(&h, &env.Rules[h.Index]))
	}
	printLink(w, &r.Link)
	for _, g := range r.IgnoredWhy {
		wrap(w, "  Ignored: ", "    ", fmt.Sprintf("%d %s", g.Count, g.What))
	}
	wrapEach(w, "  Never heard: ", "    ", r.NeverHeard)
	wrapEach(w, "  Note: ", "    ", r.Notes)
}

// ruleText is how a rule fared over the recording.
func ruleText(h *bench.Headroom, rule *rules.Rule) string {
	if h.InForceS == 0 && h.Least == nil {
		return "never in force"
	}
	var text string
	flag := rule.Watch.Channel().Kind == rules.Flag
	switch {
	case h.Least == nil:
		text = "never had a value"
	case flag && h.Overs > 0:
		text = fmt.Sprintf("not as it must be %s, %.1f s in all, at first at %.2f s", times(h.Overs), h.OverS, h.AtS)
	case flag:
		text = "always as it must be"
	case h.Overs > 0:
		by := strings.TrimPrefix(rounding.Headroom(*h.Least, rule.Unit), "-")
		by = pick(by == rounding.AtLimit, "just so", "by "+by)
		text = fmt.Sprintf("past it %s, %.1f s in all, the worst %s at %.2f s", times(h.Overs), h.OverS, by, h.AtS)
	default:
		text = fmt.Sprintf("%s at %.2f s", rounding.Headroom(*h.Least, rule.Unit), h.AtS)
	}
	switch {
	case h.BlindS < 0.05:
	case h.BlindS >= h.InForceS-0.05:
		text += fmt.Sprintf("; blind throughout, %.1f s", h.InForceS)
	default:
		text += fmt.Sprintf("; blind for %.1f of %.1f s", h.BlindS, h.InForceS)
	}
	return text
}

// silentEnd is the silence at the end of a recording from which it is told though a
// longer one stands before it, in seconds. Ours: five times the heartbeat's period.
const silentEnd = 5

// printLink reports how the craft's frames came in.
func printLink(w io.Writer, l *bench.Link) {
	text := fmt.Sprintf("%s lost by their numbers", words.Count(l.Lost, "frame"))
	if l.Breaks > 0 {
		text += fmt.Sprintf(", in %s", words.Count(l.Breaks, "place"))
	}
	what := "longest silence"
	if l.SilentAfterS == 0 {
		what = "longest gap of the craft's own clock"
	}
	text += fmt.Sprintf("; %s %s at %.2f s", what, rules.Reading(l.SilenceS, "s"), l.SilenceAtS)
	switch {
	case l.SilentToEndS >= l.SilenceS && l.SilenceS > 0:
		text += ", up to the end"
	case l.SilentToEndS >= silentEnd:
		text += fmt.Sprintf(", and the last %s without a word of it", rules.Reading(l.SilentToEndS, "s"))
	}
	if l.Silences > 0 {
		text += fmt.Sprintf(", %d over %s", l.Silences, rules.Format(l.SilentAfterS, "s"))
	}
	switch {
	case l.LagS != nil && *l.LagS < 0.001:
		text += "; no lag seen"
	case l.LagS != nil:
		text += fmt.Sprintf("; lag up to %s at %.2f s", rules.Reading(*l.LagS, "s"), l.LagAtS)
	default:
		text += "; lag cannot be told from it"
	}
	wrap(w, "  Link: ", "    ", text)
}

// printLike prints like events as one line each: how often, from when to when, and the
// worst.
func printLike(w io.Writer, kind, shown string, all []bench.Like, env *rules.Envelope, began time.Time) {
	for _, l := range all {
		if l.Kind != kind {
			continue
		}
		text := eventText(l.Worst, env, kind == "caution")
		var about []string
		if kind == "trip" && l.Worst.Value != nil {
			about = append(about, l.Worst.Stop+" stop")
		}
		switch {
		case l.FirstOut == 0:
		case l.Count == 1:
			about = append(about, "first cause")
		default:
			about = append(about, "first cause "+times(l.FirstOut))
		}
		if len(about) > 0 {
			text += " (" + strings.Join(about, ", ") + ")"
		}
		if l.Count > 1 {
			text = fmt.Sprintf("%d times, to %.2f s, the worst at %.2f s: %s", l.Count, l.Last, l.Worst.AtS, text)
			if l.Worst.Value == nil && l.Worst.Effect().Lasted == 0 {
				text = fmt.Sprintf("%d times, to %.2f s: %s", l.Count, l.Last, eventText(l.Worst, env, kind == "caution"))
			}
		}
		clock := timeofday.At(began, l.First)
		if clock != "" {
			clock = "  " + clock
		}
		wrap(w, fmt.Sprintf("%s  %8.2f s  %-7s  ", clock, l.First, shown), strings.Repeat(" ", 22), text)
	}
}

// flagWord is a flag in words.
func flagWord(v float64) string { return pick(v != 0, "yes", "no") }

func eventText(e bench.Event, env *rules.Envelope, caution bool) string {
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
	if rule.Watch.Channel().Kind == rules.Flag {
		return fmt.Sprintf("%s: %s is %s", e.Rule, e.Channel, flagWord(*e.Value)) + silence
	}
	return fmt.Sprintf("%s: %s %s", e.Rule, e.Channel, words.Past(*e.Value, *e.Limit, rule.Unit, caution)) + silence
}
