package main

import (
	"context"
	"fmt"
	"io"
	"net/netip"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/strays"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/words"
)

// mostEvents is how many events of one kind are printed one by one.
const mostEvents = 30

// recorded is what a recording holds beside what a link tells.
type recorded struct {
	Form      string     `json:"form"`
	StartUTC  *time.Time `json:"start_utc"` // null: raw bytes do not tell it
	DurationS float64    `json:"duration_s"`
	Session   string     `json:"session,omitempty"`
	// Of the craft.
	Armed         []armedSpan     `json:"armed"`
	ArmedMore     int             `json:"armed_unlisted,omitempty"`
	Silences      []span          `json:"silences"` // of 2.5 s and more, up to the end
	SilencesMore  int             `json:"silences_unlisted,omitempty"`
	Restarts      []float64       `json:"restarts_at_s"`
	Messages      []*messageHeard `json:"messages"`
	Ranges        []course        `json:"ranges"`
	Said          []saidRow       `json:"said"`
	SaidMore      int             `json:"said_unlisted,omitempty"`
	NotOurs       []strays.Row    `json:"not_ours"`
	DamagedFrames uint64          `json:"damaged_frames"`
	DamagedBytes  uint64          `json:"damaged_bytes"`
	Notes         []string        `json:"notes"`
}

// saidRow is a text of the craft, in its own words.
type saidRow struct {
	AtS      float64 `json:"at_s"`
	Severity string  `json:"severity"`
	Text     string  `json:"text"`
}

// listenedOutput is what recordings hold, as one JSON object.
type listenedOutput struct {
	Schema     int         `json:"schema"`
	Recordings []*findings `json:"recordings"`
	Failed     []failure   `json:"failed"`
}

func (o *listenedOutput) print(w io.Writer) {
	for i, f := range o.Recordings {
		if i > 0 {
			fmt.Fprintln(w)
		}
		f.print(w)
	}
}

// files reads recordings, each with what it holds.
func (c *listenCmd) files(ctx context.Context, s *streams, only identity) error {
	found, failed, bad := eachRecording(ctx, s, "listen", c.Sources, func(j *job) (*findings, error) {
		j.toPort(c.Port)
		return hearRecording(j, only)
	})
	if len(found) == 0 {
		return bad
	}
	lacking := slices.ContainsFunc(found, func(f *findings) bool { return !f.complete() })
	return s.conclude(&listenedOutput{listenSchema, found, failed}, c.JSON, bad, lacking)
}

// hearRecording hears a recording to its end.
func hearRecording(j *job, only identity) (*findings, error) {
	rec, err := j.open()
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	e, err := newEar(true)
	if err != nil {
		return nil, err
	}
	n := 0
	broke, err := rec.Each(func(c *intake.Chunk) error {
		if n++; n%4096 == 0 && j.ctx.Err() != nil {
			return j.ctx.Err()
		}
		if c.Source == intake.Telemetry {
			e.chunk(c)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	info := rec.Info()
	e.end(info.Span)
	f := e.judge(j.name, info.Span, only)
	f.add(e, info)
	if broke != nil {
		f.Recording.Notes = append(f.Recording.Notes, broke.Error())
	}
	return f, nil
}

// chunk takes a chunk of a recording.
func (e *ear) chunk(c *intake.Chunk) {
	e.bytes += uint64(len(c.Bytes))
	switch {
	case c.Checked != nil: // raw bytes: when they were heard is an estimate
		for i := range c.Checked {
			e.take(c.At, netip.AddrPort{}, &c.Checked[i], c.Checked[i:i+1])
		}
		e.strays.Whole(c.Bytes)
	case c.From.IsValid():
		e.whole(c.At, c.From, c.Bytes)
	default:
		l := e.streams[c.Link]
		if l == nil {
			if e.streams == nil {
				e.streams = map[uint8]*line{}
			}
			l = &line{}
			e.streams[c.Link] = l
		}
		if c.Lost > 0 {
			l.stream.Drop()
			l.strays.End()
		}
		l.strays.Stream(c.Bytes)
		l.stream.Feed(c.Bytes)
		for f, ok := l.stream.Next(); ok; f, ok = l.stream.Next() {
			e.take(c.At, netip.AddrPort{}, &f, nil)
		}
	}
}

// line is one serial line or TCP link of a session.
type line struct {
	stream telemetry.Stream
	strays strays.Tally
}

// end ends every sender's account.
func (e *ear) end(at time.Duration) {
	for _, s := range e.senders {
		s.account.end(at)
		s.hush(at)
		for i := range s.channels {
			if h := &s.channels[i]; h.samples > 0 && rules.ChannelID(i) != rules.LinkAge {
				h.widest = max(h.widest, at-h.last)
				h.spaced(at, s.quiet)
			}
		}
	}
	for _, l := range e.streams {
		l.strays.End()
		e.strays.Add(&l.strays)
	}
}

// add prints what the recording holds of the craft.
func (f *findings) add(e *ear, info recording.Info) {
	r := &recorded{Form: string(info.Form), DurationS: info.Span.Seconds(), Session: info.Session, Armed: []armedSpan{}, Silences: []span{},
		Restarts: []float64{}, Messages: []*messageHeard{}, Ranges: []course{}, Said: []saidRow{}, NotOurs: []strays.Row{}, Notes: []string{}}
	if !info.Start.IsZero() {
		r.StartUTC = &info.Start
	}
	for _, row := range e.strays.Rows() {
		if row.Kind == strays.Damaged {
			r.DamagedFrames, r.DamagedBytes = row.Count, row.Bytes
			continue
		}
		r.NotOurs = append(r.NotOurs, row)
	}
	f.BadBytes, f.Recording = e.strays.Left, r
	r.Notes = append(r.Notes, info.Notes()...)
	if f.craft == nil {
		return
	}
	a := &f.craft.account
	r.Armed, r.ArmedMore = append(r.Armed, a.spans...), a.armedMore
	r.Silences, r.SilencesMore = append(r.Silences, a.silences...), a.silencesMore
	for _, at := range a.restarts {
		r.Restarts = append(r.Restarts, at.Seconds())
	}
	for _, m := range a.messages {
		r.Messages = append(r.Messages, m)
	}
	slices.SortFunc(r.Messages, func(a, b *messageHeard) int { return int(a.ID) - int(b.ID) })
	for id := range rules.ChannelCount {
		if c := a.ranges[id]; c != nil {
			r.Ranges = append(r.Ranges, *c)
		}
	}
	r.SaidMore = a.saidMore
	for _, s := range a.said {
		r.Said = append(r.Said, saidRow{s.At.Seconds(), s.Word(), s.Text})
	}
}

// print prints what a recording holds, behind who is on it.
func (r *recorded) print(w io.Writer, craft identity) {
	fmt.Fprintf(w, "Craft %s\n", craft)
	for _, a := range r.Armed {
		text := fmt.Sprintf("%.1f to %.1f s, %.1f s", a.FromS, a.ToS, a.ToS-a.FromS)
		if a.Since {
			text += ", armed already when first heard"
		}
		if a.Open {
			text += ", still armed at the last word of it"
		}
		for _, c := range shownRanges(a.Ranges) {
			text += "; " + c
		}
		wrap(w, "  Armed: ", "    ", text)
	}
	if r.ArmedMore > 0 {
		fmt.Fprintf(w, "  Armed: %d times more\n", r.ArmedMore)
	}
	if len(r.Armed) == 0 {
		fmt.Fprintln(w, "  Armed: never, as far as it says")
	}
	for _, c := range shownRanges(r.Ranges) {
		wrap(w, "  In all: ", "    ", c)
	}
	for i, s := range r.Silences {
		if i == mostEvents {
			fmt.Fprintf(w, "  Silent: %d times more\n", len(r.Silences)-i+r.SilencesMore)
			break
		}
		text := fmt.Sprintf("%.1f to %.1f s, %.1f s", s.FromS, s.ToS, s.ToS-s.FromS)
		if s.ToS >= r.DurationS {
			text += ", up to the end"
		}
		wrap(w, "  Silent: ", "    ", text)
	}
	for _, at := range r.Restarts {
		fmt.Fprintf(w, "  Restarted: at %.1f s\n", at)
	}
	if len(r.Said) > 0 {
		fmt.Fprintln(w, "In the craft's own words")
	}
	for _, s := range r.Said {
		wrapSaid(w, fmt.Sprintf("  %8.2f s  %-9s  ", s.AtS, s.Severity), strings.Repeat(" ", 23), s.Text)
	}
	if r.SaidMore > 0 {
		fmt.Fprintf(w, "  and %d more\n", r.SaidMore)
	}
	var rows [][]string
	for _, m := range r.Messages {
		rows = append(rows, []string{m.called(), fmt.Sprint(m.Count), fmt.Sprintf("%.2f", m.Rate), fmt.Sprintf("%.2f s", m.WidestS)})
	}
	table(w, "  ", []string{"Message", ">frames", ">a second", ">longest gap"}, []int{30, 10, 10, 12}, rows)
}

// shownRanges is the courses in words: one height, as many packs as there are.
func shownRanges(all []course) (out []string) {
	var height *course
	for _, id := range heights {
		if c := of(all, id); c != nil && (height == nil || c.Samples > 2*height.Samples) {
			height = c
		}
	}
	if height != nil {
		out = append(out, fmt.Sprintf("%s %s to %s, the most at %.1f s", height.Channel, height.shows(height.Low), height.shows(height.High), height.HighAtS))
	}
	if c := of(all, rules.Tilt); c != nil {
		out = append(out, fmt.Sprintf("tilt up to %s at %.1f s", c.shows(c.High), c.HighAtS))
	}
	for i := range all {
		switch c := &all[i]; {
		case c.id == rules.Tilt, slices.Contains(heights, c.id):
		case c.High == c.Low:
			out = append(out, fmt.Sprintf("%s %s throughout", c.Channel, c.shows(c.Low)))
		default:
			out = append(out, fmt.Sprintf("%s %s to %s", c.Channel, c.shows(c.Low), c.shows(c.High)))
		}
	}
	return out
}

func (c *course) shows(v float64) string {
	return rules.Reading(v, rules.DefaultUnit(c.id.Channel().Kind, "metric"))
}

// printHead is the first lines of a recording.
func (r *recorded) printHead(w io.Writer, f *findings) {
	text := fmt.Sprintf("%s: %s, %.1f s", f.Link, r.Form, r.DurationS)
	if r.StartUTC != nil {
		text += " from " + r.StartUTC.Local().Format("2006-01-02 15:04:05") + " (" + timeofday.Offset(*r.StartUTC) + ")"
	}
	good := "all good"
	if f.BadBytes > 0 {
		good = fmt.Sprintf("%d of them in no frame", f.BadBytes)
	}
	wrap(w, "", "  ", fmt.Sprintf("%s; %s, %s", text, words.Count(f.Bytes, "byte"), good))
	if r.DamagedFrames > 0 {
		fmt.Fprintf(w, "  Damaged: %s whose checksum fails, or that break off\n", words.Count(r.DamagedFrames, "frame"))
	}
	for _, row := range r.NotOurs {
		wrap(w, "  Ignored: ", "    ", fmt.Sprintf("%d %s", row.Count, row.What))
	}
	wrapEach(w, "  Note: ", "    ", r.Notes)
}
