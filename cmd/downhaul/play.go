package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"os"
	"syscall"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/records/recording"
	"downhaul/rules/words"
)

type playCmd struct {
	Recording string  `arg:"" name:"rec" help:"Recording (pcapng, pcap or raw MAVLink bytes) or session folder."`
	To        string  `required:"" placeholder:"LINK" help:"Where the guard of the rehearsal listens, such as udp://127.0.0.1:40123."`
	Speed     float64 `default:"1" placeholder:"N" help:"How many times as fast as it was (${default})."`
	Port      uint16  `placeholder:"N" help:"Of a capture, take only what went to this UDP port."`
}

func (playCmd) Help() string {
	return "Sends the telemetry of a recording to a guard on this computer, each datagram at its own time, for a " +
		"rehearsal. It sends to this computer only: on a network it could be taken for a craft that is really there."
}

// fastest is the most that --speed takes; ours: beyond it a guard sees a flood,
// and replay is the command for that.
const fastest = 100

func (c *playCmd) Run(ctx context.Context, s *streams) error {
	to, err := ownComputer(c.To)
	if err != nil {
		return err
	}
	if !(c.Speed > 0 && c.Speed <= fastest) {
		return hint(fmt.Errorf("play: speed must be more than 0 and at most %d (got %v)", fastest, c.Speed),
			"--speed 1 is as fast as it was")
	}
	// Read through once first: a recording that breaks off or holds nothing to
	// send is better refused than found out in the middle of a rehearsal.
	span, err := c.look(s)
	if err != nil {
		return err
	}
	conn, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
	if err != nil {
		return fmt.Errorf("play: %w", err)
	}
	defer conn.Close()
	fmt.Fprintf(s.out, "playing %s to %s at %g times its speed: %s\n", printable(c.Recording), c.To, c.Speed,
		(time.Duration(float64(span) / c.Speed)).Round(100*time.Millisecond))

	p := player{send: conn.Write, speed: c.Speed}
	began := time.Now()
	r, err := c.open()
	if err != nil {
		return fmt.Errorf("play: %w", err)
	}
	defer r.Close()
	if _, err = each(r, func(chunk *intake.Chunk) error { return p.play(ctx, began, chunk) }); err != nil { // look has told of what breaks off
		return fmt.Errorf("play: %w", err)
	}
	fmt.Fprintf(s.out, "sent %s in %s\n", words.Count(p.sent, "datagram"), time.Since(began).Round(100*time.Millisecond))
	if p.refused > 0 {
		wrap(s.out, "", "", fmt.Sprintf("at least %d found nobody listening: was the guard running on %s?", p.refused, c.To))
		return errFound
	}
	return nil
}

// ownComputer reads the target and refuses any that is not this computer.
func ownComputer(text string) (netip.AddrPort, error) {
	const form = "write --to udp://127.0.0.1:40123, with the port on which the guard listens"
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "udp" || u.Path != "" {
		return netip.AddrPort{}, hint(fmt.Errorf("play: not a place to send to (got %q)", text), form)
	}
	to, err := netip.ParseAddrPort(u.Host)
	if err != nil || to.Port() == 0 {
		return netip.AddrPort{}, hint(fmt.Errorf("play: want an address in figures and a port (got %q)", u.Host), form)
	}
	if !to.Addr().Unmap().IsLoopback() {
		return netip.AddrPort{}, hint(fmt.Errorf("play: %s is not this computer, and a recording on a network could be taken for a craft that is really there", to.Addr()),
			"run it on the guard's own computer: udp://127.0.0.1:%d", to.Port())
	}
	return to, nil
}

// files is the recording's files: itself, or its parts in a session folder.
func (c *playCmd) files() ([]string, error) {
	info, err := os.Stat(c.Recording)
	if err != nil || !info.IsDir() {
		return []string{c.Recording}, err
	}
	parts, err := recording.Parts(c.Recording)
	if err != nil {
		return nil, err
	}
	if len(parts) == 0 {
		return nil, fmt.Errorf("folder %s holds no recording.pcapng", c.Recording)
	}
	return parts, nil
}

func (c *playCmd) open() (*recording.Reader, error) {
	files, err := c.files()
	if err != nil {
		return nil, err
	}
	options := []recording.Option{recording.PastDamage()}
	if c.Port != 0 {
		options = append(options, recording.OnlyPort(c.Port))
	}
	return recording.OpenParts(files, options...)
}

// each gives every telemetry chunk of a recording.
func each(r *recording.Reader, fn func(*intake.Chunk) error) (broke, err error) {
	return r.Each(func(c *intake.Chunk) error {
		if c.Source != intake.Telemetry {
			return nil
		}
		return fn(c)
	})
}

// look reads the recording through, says what there is to say, and gives the
// time that its telemetry takes.
func (c *playCmd) look(s *streams) (time.Duration, error) {
	const kinds = "pcapng, pcap and raw MAVLink bytes can be played"
	r, err := c.open()
	if err != nil {
		return 0, hint(fmt.Errorf("play: %w", err), kinds)
	}
	defer r.Close()
	var last time.Duration
	chunks := 0
	broke, err := each(r, func(chunk *intake.Chunk) error {
		chunks, last = chunks+1, chunk.At
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("play: %w", err)
	}
	if broke != nil {
		wrap(s.err, "downhaul: ", "  ", fmt.Sprintf("the recording breaks off: %v", broke))
	}
	info := r.Info()
	wrapEach(s.err, "downhaul: ", "  ", info.Notes())
	if chunks == 0 {
		return 0, hint(fmt.Errorf("play: %s holds no telemetry to send", c.Recording), kinds)
	}
	if info.Form == recording.Raw && !info.Timed {
		return 0, hint(fmt.Errorf("play: no message in %s tells the time, so nobody knows how fast to play it", c.Recording),
			"a pcap or pcapng capture of the link has times of its own")
	}
	return last, nil
}

// player sends chunks at their time.
type player struct {
	send    func([]byte) (int, error)
	speed   float64
	streams map[uint8]*telemetry.Stream
	sent    uint64
	refused uint64
}

func (p *player) play(ctx context.Context, began time.Time, c *intake.Chunk) error {
	wait := time.Duration(float64(c.At)/p.speed) - time.Since(began)
	if wait > 0 {
		timer := time.NewTimer(wait)
		defer timer.Stop()
		select {
		case <-ctx.Done():
			return errors.New("interrupted")
		case <-timer.C:
		}
	} else if ctx.Err() != nil {
		return errors.New("interrupted")
	}
	if c.From.IsValid() {
		return p.datagram(c.Bytes)
	}
	// Bytes of a serial line or a TCP connection come in pieces that may end
	// within a frame; a datagram must hold whole ones.
	if p.streams == nil {
		p.streams = map[uint8]*telemetry.Stream{}
	}
	stream := p.streams[c.Link]
	if stream == nil {
		stream = new(telemetry.Stream)
		p.streams[c.Link] = stream
	}
	stream.Feed(c.Bytes)
	for f, ok := stream.Next(); ok; f, ok = stream.Next() {
		if err := p.datagram(f.Raw); err != nil {
			return err
		}
	}
	return nil
}

func (p *player) datagram(b []byte) error {
	_, err := p.send(b)
	// A datagram to a port where nobody listens comes back as an error of the
	// next one, which was not sent then.
	if errors.Is(err, syscall.ECONNREFUSED) {
		p.refused++
		_, err = p.send(b)
		if errors.Is(err, syscall.ECONNREFUSED) {
			p.refused++
			err = nil
		}
	}
	p.sent++
	return err
}
