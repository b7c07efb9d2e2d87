package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/day/telemetry/link/reading"
	"downhaul/interlock/records/strays"
	"downhaul/rules"
)

type listenCmd struct {
	Sources []string      `arg:"" name:"source" help:"A link: udp://0.0.0.0:40123, tcp://192.0.2.1:40124 or serial:///dev/ttyUSB0?baud=57600. Or recordings: session folders, pcapng or pcap of the telemetry link, or raw MAVLink bytes; packed with gzip as well."`
	For     time.Duration `default:"10s" placeholder:"TIME" help:"How long to listen to a link (${default})."`
	Craft   string        `placeholder:"S/C" help:"System and component of the craft, such as 1/1, where several are heard."`
	Port    uint16        `placeholder:"N" help:"Of a capture, take only what went to this UDP port."`
	JSON    bool          `help:"Print one JSON object."`
}

func (listenCmd) Help() string {
	return "Shows who is heard on a link, each wanted channel with its rate, what is missing and which message to ask " +
		"the craft for. Nothing is sent. Of a recording it shows as well when that was and for how long, when the craft " +
		"was armed, how high it was and what its packs did, silences up to the end, restarts, damage, and what the craft " +
		"said in words. Exit code 1 means that something wanted is missing or comes too seldom."
}

// Bounds of --for: a message that comes once a second shows its rate after a
// few, and a link that is quiet for minutes is dead.
const shortestListen, longestListen = time.Second, 10 * time.Minute

func (c *listenCmd) Run(ctx context.Context, s *streams) error {
	var only identity
	if c.Craft != "" {
		if n, err := fmt.Sscanf(c.Craft, "%d/%d", &only.System, &only.Component); n != 2 || err != nil || only.String() != c.Craft {
			return hint(fmt.Errorf("listen: want system and component, 1 to 255 each (got %q)", c.Craft), "write --craft 1/1")
		}
	}
	if info, err := os.Stat(c.Sources[0]); err == nil {
		switch mode := info.Mode(); {
		case mode.IsDir(), mode.IsRegular():
			return c.files(ctx, s, only)
		case mode&os.ModeNamedPipe != 0:
			return hint(fmt.Errorf("listen: %s is a pipe, and a recording is read more than once", c.Sources[0]), "write it to a file first, and name that")
		}
	}
	cfg, err := parseLink(c.Sources[0])
	switch {
	case err != nil && !strings.Contains(c.Sources[0], ":/"):
		return fmt.Errorf("%w; and there is no file of that name", err)
	case err != nil:
		return err
	case len(c.Sources) > 1:
		return hint(errors.New("listen: one link at a time"), "recordings can be several")
	}
	if c.For < shortestListen || c.For > longestListen {
		return hint(fmt.Errorf("listen: --for must be from %v to %v (got %v)", shortestListen, longestListen, c.For), "write a time such as 30s or 2m")
	}
	ear, err := listenTo(ctx, cfg, c.For, s.err)
	if err != nil {
		return err
	}
	found := ear.judge(c.Sources[0], c.For, only)
	return s.conclude(found, c.JSON, nil, !found.complete())
}

// listenTo listens to a link for the span; nothing is sent.
func listenTo(ctx context.Context, cfg link.Config, span time.Duration, told io.Writer) (*ear, error) {
	ear, err := newEar(cfg.Kind == link.UDP)
	if err != nil {
		return nil, err
	}
	l, err := link.Open(cfg)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	if onTerminal(told) {
		fmt.Fprintf(told, "listening on %s for %v; nothing is sent\n", cfg, span)
	}
	timed, stop := context.WithTimeout(ctx, span)
	defer stop()
	began := time.Now()
	var down error
	err = reading.Run(timed, l,
		func(p reading.Packet) { ear.hear(time.Since(began), p) },
		func(e link.Event) {
			down = e.Err
			if !e.Up {
				ear.dropped()
			}
		})
	if err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, hint(errors.New("listen: interrupted"), "the rates need the whole time; shorten it with --for")
	}
	if down != nil && len(ear.senders) == 0 {
		return nil, down
	}
	return ear, nil
}

// onTerminal reports whether a stream comes from or goes to a terminal.
func onTerminal(stream any) bool {
	f := fileOf(stream)
	return f != nil && term.IsTerminal(int(f.Fd()))
}

// redraws reports whether a stream goes to a terminal on which what was shown can be
// drawn over; one that calls itself dumb cannot.
func redraws(stream any) bool {
	return onTerminal(stream) && os.Getenv("TERM") != "dumb" && drawsOver(fileOf(stream))
}

// identity is who sends, by MAVLink.
type identity struct {
	System    uint8 `json:"system"`
	Component uint8 `json:"component"`
}

func (i identity) String() string { return fmt.Sprintf("%d/%d", i.System, i.Component) }

// sender is one identity at one address.
type sender struct {
	identity
	from    netip.AddrPort
	frames  uint64
	lost    uint64
	version uint8
	signed  bool
	lastSeq uint8
	// Of its last HEARTBEAT: MAV_TYPE and MAV_AUTOPILOT.
	said            bool
	kind, autopilot uint8
	radio           bool // it sent RADIO_STATUS
	unread          bench.Unread
	// guard takes its frames as a guard does, to tell which were said before; nil
	// where no guard takes any.
	guard    *intake.Intake
	repeated uint64
	channels [rules.ChannelCount]heard
	// climbs hold each climb against the height of its message, as the guard does.
	climbs  *bench.Climbs
	account account
	quiet   time.Duration // how long it was silent as a whole
}

// heard is what came of one channel.
type heard struct {
	samples     uint64 // that had a value
	first, last time.Duration
	widest      time.Duration // longest time between two with a value
	value       float64
	unknown     uint64 // that said "unknown" or could not be right
	cause       rules.Cause
	against     rules.Cause   // why a guard would not take it; NoCause
	gaps        bench.Gaps    // between two, less what the whole link was silent
	quiet       time.Duration // how long that was when the last came
}

// ear listens to frames and counts.
type ear struct {
	datagrams bool
	scanner   telemetry.Scanner
	stream    telemetry.Stream
	fields    *telemetry.Fields
	samples   []interlock.Input
	inputs    []interlock.Input
	senders   []*sender
	bytes     uint64
	strays    strays.Tally
	streams   map[uint8]*line // of a recording
}

func newEar(datagrams bool) (*ear, error) {
	fields, err := telemetry.NewFields(telemetry.FieldsConfig{})
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	return &ear{datagrams: datagrams, fields: fields}, nil
}

func (e *ear) hear(at time.Duration, p reading.Packet) {
	e.bytes += uint64(len(p.Bytes))
	if e.datagrams {
		e.whole(at, p.From, p.Bytes)
		return
	}
	e.stream.Feed(p.Bytes)
	for f, ok := e.stream.Next(); ok; f, ok = e.stream.Next() {
		e.frame(at, netip.AddrPort{}, &f)
	}
}

// whole takes a datagram.
func (e *ear) whole(at time.Duration, from netip.AddrPort, b []byte) {
	e.strays.Whole(b)
	var f telemetry.Frame
	for used, ok := e.scanner.NextInto(&f, b, true); ok; used, ok = e.scanner.NextInto(&f, b, true) {
		b = b[used:]
		e.frame(at, from, &f)
	}
}

// dropped forgets the unfinished frame of a stream that broke off.
func (e *ear) dropped() { e.stream.Drop() }

// counts is what the scanner met.
func (e *ear) counts() telemetry.Counts {
	if e.datagrams {
		return e.scanner.Counts
	}
	return e.stream.Counts
}

// mostSenders bounds the list: a flood of made-up identities must not fill the
// memory.
const mostSenders = 64

// HEARTBEAT (MAVLink, minimal message set) has type and autopilot in bytes 4
// and 5 of its payload. RADIO_STATUS (common) comes from a radio itself.
const idHeartbeat, idRadioStatus = 0, 109

func (e *ear) frame(at time.Duration, from netip.AddrPort, f *telemetry.Frame) {
	e.take(at, from, f, nil)
}

// take takes a frame; checked is set where when it was heard is an estimate.
func (e *ear) take(at time.Duration, from netip.AddrPort, f *telemetry.Frame, checked []telemetry.Frame) {
	who := identity{f.System, f.Component}
	i := slices.IndexFunc(e.senders, func(s *sender) bool { return s.identity == who && s.from == from })
	if i < 0 {
		if len(e.senders) == mostSenders {
			return
		}
		i = len(e.senders)
		s := &sender{identity: who, from: from, lastSeq: f.Seq - 1}
		// Component 0 is no craft's.
		s.guard, _ = intake.New(intake.Config{Craft: intake.Craft{System: f.System, Component: f.Component}, Links: []intake.LinkConfig{{}}})
		s.climbs = bench.NewClimbs()
		e.senders = append(e.senders, s)
	}
	s := e.senders[i]
	// More than half the circle ahead is a frame that was overtaken.
	if gap := f.Seq - s.lastSeq - 1; gap < 128 {
		s.lost += uint64(gap)
		s.lastSeq = f.Seq
	}
	s.frames++
	s.version, s.signed = f.Version, f.Signed
	var counts intake.Counts
	if s.guard != nil {
		e.inputs = s.guard.Append(e.inputs[:0], &intake.Chunk{At: at, Source: intake.Telemetry, From: from, Bytes: f.Raw, Checked: checked})
		s.guard.CountsTo(&counts)
		if n := counts.Links[0].Repeated; n > s.repeated {
			s.repeated = n
			return // no sign of life and no value
		}
		s.account.frame(at, f, &counts.Links[0])
	}
	s.hush(at)
	if f.ID == idHeartbeat && len(f.Payload) >= 6 {
		s.said, s.kind, s.autopilot = true, f.Payload[4], f.Payload[5]
	}
	s.radio = s.radio || f.ID == idRadioStatus
	s.unread.Hear(f)
	e.samples = e.fields.Append(e.samples[:0], f)
	for i := range e.samples {
		sample := e.samples[i].Sample
		s.channels[sample.Channel].take(at, sample, s.quiet)
		s.account.sample(at, &sample)
		if against := s.climbs.Take(at, &sample); against != rules.NoCause {
			s.channels[sample.Channel].against = against
		}
	}
}

func (h *heard) take(at time.Duration, s interlock.Sample, quiet time.Duration) {
	if s.Quality == rules.Missing {
		h.unknown++
		h.cause = s.Cause
		return
	}
	if h.samples == 0 {
		h.first = at
	} else {
		h.widest = max(h.widest, at-h.last)
		h.spaced(at, quiet)
	}
	h.quiet = quiet
	h.samples++
	h.last, h.value = at, s.Value
}

// rate is samples a second, 0 with fewer than two.
func (h *heard) rate() float64 {
	if h.samples < 2 || h.last <= h.first {
		return 0
	}
	return float64(h.samples-1) / (h.last - h.first).Seconds()
}
