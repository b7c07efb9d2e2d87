package recording

import (
	"errors"
	"fmt"
	"io"
	"net/netip"
	"slices"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/recorder"
)

// Option changes how a recording is read.
type Option func(*Reader)

// OnlyPort takes only the datagrams to that UDP port. Without it all are taken,
// and the intake hears only the named craft anyway.
func OnlyPort(port uint16) Option { return func(r *Reader) { r.port, r.onlyPort = port, true } }

// Counting has count told of the bytes as they are read from the files, for a
// progress display. It may be called from the goroutine that reads only.
func Counting(count func(n int)) Option { return func(r *Reader) { r.count = count } }

// counted counts every read.
type counted struct {
	in    io.Reader
	count func(n int)
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.count(n)
	return n, err
}

// Reader reads one recording, or the parts of one that its writer had to begin
// anew. It belongs to one goroutine.
type Reader struct {
	parts []string // still to be opened
	file  io.Closer

	zip  *unpacked // nil: the file is not compressed
	gate *gate
	raw  *rawReader

	port     uint16
	onlyPort bool
	past     bool // read on behind damage
	lost     bool // the next chunk follows damage
	count    func(n int)

	own      bool
	begun    bool  // first is set
	first    int64 // wall time of engine time 0, ns since 1970
	clock    captureTime
	seq      uint64
	lastPort uint16
	d        datagram
	comments []string
	split    fragments

	// Of a capture of others; see survey. wall is the time of the packet given last.
	drop      map[flow]bool
	once      once
	flowNotes []string
	looked    bool
	wall      int64

	primed bool         // the first chunk was read ahead
	chunk  intake.Chunk // the one given last
	err    error
	info   Info
}

// leastSection is the size of a section header without options
// (draft-ietf-opsawg-pcapng, section header block).
const leastSection = 28

// bufferSize holds the largest block twice over.
const bufferSize = maxBlock + 64<<10

// Open opens a recording by name. A file that holds no recording, or a capture
// without a single UDP datagram, is refused with what it is and what to do.
func Open(name string, options ...Option) (*Reader, error) {
	return OpenParts([]string{name}, options...)
}

// OpenParts opens the parts of one recording of our own in order
// (recording.pcapng, recording-2.pcapng, and on) as if they were one.
func OpenParts(names []string, options ...Option) (*Reader, error) {
	if len(names) == 0 {
		return nil, errors.New("open recording: no file named")
	}
	how := append(slices.Clone(options), func(r *Reader) { r.parts = names[1:] })
	if len(names) == 1 {
		how = append(how, LookedThrough(names[0], options...))
	}
	return openOne(names[0], how)
}

// openOne opens one file.
func openOne(name string, options []Option) (*Reader, error) {
	f, err := plain.Open(name, plain.Recording)
	if err != nil {
		return nil, fmt.Errorf("open recording: %w", err)
	}
	r, err := newReader(f, options)
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("open recording %s: %w", name, err)
	}
	return r, nil
}

// OpenReader is Open on bytes from anywhere. It reads from the beginning to the
// end and never seeks.
func OpenReader(in io.Reader, options ...Option) (*Reader, error) {
	r, err := newReader(in, options)
	if err != nil {
		return nil, fmt.Errorf("open recording: %w", err)
	}
	return r, nil
}

func newReader(in io.Reader, options []Option) (*Reader, error) {
	r := &Reader{}
	for _, o := range options {
		o(r)
	}
	if err := r.attach(in); err != nil {
		return nil, err
	}
	// The first chunk is read ahead, so that a capture of something else is
	// refused here and not in the middle of a replay.
	r.err = r.read(&r.chunk)
	r.primed = true
	if errors.Is(r.err, io.EOF) && !r.own {
		return nil, r.nothing()
	}
	return r, nil
}

// attach starts on the next file.
func (r *Reader) attach(in io.Reader) error {
	r.file, _ = in.(io.Closer)
	if r.count != nil {
		in = &counted{in, r.count}
	}
	in, r.zip = unpack(in)
	w := newWindow(in)
	head, err := w.peek(maxBlock)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	form, order, nano, err := tell(head, err != nil)
	if err != nil {
		if r.zip != nil {
			return fmt.Errorf("%s; %w", r.zip.notes()[0], err)
		}
		return err
	}
	r.info.Form = form
	r.gate, r.raw = nil, nil
	if form == Raw {
		r.raw = newRaw(w, head)
		return nil
	}
	r.gate = &gate{past: r.past, w: w, ng: form == PCAPNG, nano: nano}
	r.gate.setOrder(order)
	if err := r.gate.header(); err != nil {
		return err
	}
	if form == PCAP {
		if link := r.gate.ifaces[0].link; !knownLink(link) {
			return fmt.Errorf("a pcap of link type %d, which carries no IP that is known here; capture on an Ethernet, Wi-Fi or loopback interface", link)
		}
		return nil
	}
	if start, part, ok := readComment(r.gate.application, r.gate.comment); ok {
		r.own, r.first, r.begun = true, start.Wall.UnixNano(), true
		r.info.Own, r.info.Start, r.info.Part = true, start.Wall, part
		r.info.Session, r.info.Software = start.Session, start.Software
	}
	return nil
}

// Next is the next chunk. It and its bytes are valid until Next is called again. The
// error is io.EOF at a proper end, *Torn or *Damaged where the recording breaks
// off, and stays so.
func (r *Reader) Next() (*intake.Chunk, error) {
	if r.primed {
		r.primed = false
	} else if r.err == nil {
		r.err = r.read(&r.chunk)
	}
	if r.err != nil {
		return nil, r.err
	}
	return &r.chunk, nil
}

// Each calls fn with every chunk up to the end. broke is why the recording breaks off, nil at
// a proper end.
func (r *Reader) Each(fn func(*intake.Chunk) error) (broke, err error) {
	var torn *Torn
	var damaged *Damaged
	for {
		c, err := r.Next()
		switch {
		case errors.Is(err, io.EOF):
			return nil, nil
		case errors.As(err, &torn), errors.As(err, &damaged):
			return err, nil
		case err == nil:
			err = fn(c)
		}
		if err != nil {
			return nil, err
		}
	}
}

// Comments are those of the packet of the last chunk.
func (r *Reader) Comments() []string { return r.comments }

// Close closes the file that Open opened.
func (r *Reader) Close() error {
	if r.file == nil {
		return nil
	}
	err := r.file.Close()
	r.file = nil
	return err
}

func (r *Reader) read(c *intake.Chunk) error {
	for {
		ok, err := r.packet(c)
		if err == nil {
			if !ok {
				continue
			}
			if r.lost {
				c.Lost, r.lost = c.Lost+1, false
			}
			r.info.Chunks++
			r.info.Span = c.At
			return nil
		}
		if r.passDamage(err) {
			continue
		}
		more, err2 := r.nextPart(err)
		if err2 != nil {
			return err2
		}
		if !more {
			return err
		}
	}
}

// nextPart goes on with the next file of the same recording. A torn end of a
// part that was given up is what is expected of it, and so is a part that never
// got as far as a whole header.
func (r *Reader) nextPart(end error) (bool, error) {
	before, session := r.first, r.info.Session
	for torn := new(*Torn); len(r.parts) > 0 && (errors.Is(end, io.EOF) || errors.As(end, torn)); {
		name := r.parts[0]
		r.parts = r.parts[1:]
		_ = r.Close()
		f, err := plain.Open(name, plain.Recording)
		if err != nil {
			return false, fmt.Errorf("open next part of the recording: %w", err)
		}
		if err := r.attach(f); err != nil {
			if st, serr := f.Stat(); errors.As(err, torn) || serr == nil && st.Size() < leastSection {
				continue
			}
			return false, fmt.Errorf("open next part of the recording, %s: %w", name, err)
		}
		if !r.own || r.first != before || r.info.Session != session {
			return false, fmt.Errorf("%s is no part of the recording of session %q", name, session)
		}
		return true, nil
	}
	return false, nil
}

// packet reads one packet; ok false when it is no chunk.
func (r *Reader) packet(c *intake.Chunk) (ok bool, err error) {
	r.comments = nil
	if r.raw != nil {
		return true, r.rawChunk(c)
	}
	p, err := r.gate.next()
	if err != nil {
		return false, err
	}
	r.info.Packets++
	if r.once.has(p.ns, p.data) {
		return false, nil
	}
	r.wall = p.ns
	at := r.timeOf(p)
	f := &r.gate.ifaces[p.id]
	if r.own && f.own {
		return r.ownChunk(c, at, p, f.form), nil
	}
	if !knownLink(f.link) {
		r.info.Skipped.Other++
		return false, nil
	}
	if !r.unwrap(f.link, p.data) {
		return false, nil
	}
	if r.drop != nil && r.drop[flow{r.d.from, r.d.to}] {
		r.info.Doubled++
		return false, nil
	}
	if len(p.options) > 0 {
		r.takeOptions(p.options)
	}
	r.seq++
	c.At, c.Seq, c.Source, c.Link, c.Lost, c.From, c.To, c.Bytes = at, r.seq, intake.Telemetry, 0, 0, r.d.from, r.d.to, r.d.payload
	return true, nil
}

// takeOptions reads a packet's number and loss, and keeps its comments.
func (r *Reader) takeOptions(options []byte) (number, lost uint64) {
	for code, value := range r.gate.options(options) {
		switch {
		case code == optComment:
			r.comments = append(r.comments, string(value))
		case code == optPacketID && len(value) >= 8:
			number = r.gate.u64(value)
		case code == optDropCount && len(value) >= 8:
			lost = r.gate.u64(value)
		}
	}
	return number, lost
}

// timeOf is the engine time of a packet: never negative, never decreasing.
func (r *Reader) timeOf(p *packet) time.Duration {
	if !p.dated {
		r.info.Undated++
		return r.clock.now
	}
	if !r.begun {
		r.first, r.begun = p.ns, true
		r.info.Start = time.Unix(0, p.ns).UTC()
	}
	if !r.clock.begun {
		r.clock.begun, r.clock.base = true, r.first
	}
	return r.clock.see(p.ns, r.own, r.info.Packets)
}

// ownChunk is a packet of our own recording.
func (r *Reader) ownChunk(c *intake.Chunk, at time.Duration, p *packet, f recorder.Form) bool {
	// Field by field: a copy of what was just put together waits for its parts.
	c.At, c.Seq, c.Source, c.Link, c.Lost = at, 0, f.Source, f.Link, 0
	if f.Datagram {
		if !r.unwrap(linkRaw, p.data) {
			return false
		}
		c.From, c.To, c.Bytes = r.d.from, r.d.to, r.d.payload
		if c.To.Port() == 0 && c.To.Addr().IsUnspecified() {
			c.To = netip.AddrPort{}
		}
	} else {
		c.From, c.To, c.Bytes = netip.AddrPort{}, netip.AddrPort{}, p.data
	}
	number, lost := r.takeOptions(p.options)
	if number != 0 {
		c.Seq = number
		if number != r.seq+1 {
			r.info.gap(r.seq, number, at)
		}
		r.seq = number
	}
	c.Lost = uint32(min(lost, 1<<32-1))
	r.info.Lost += lost
	return true
}
