package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strconv"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
)

// Kind is the kind of a link.
type Kind uint8

// The kinds.
const (
	UDP    Kind = iota + 1 // listens; whoever sends to the port is heard
	TCP                    // connects to a server and only reads
	Serial                 // reads a serial line, 8 bits, no parity, 1 stop bit
)

// String is the name of the kind as it stands in a link's address.
func (k Kind) String() string {
	switch k {
	case UDP:
		return "udp"
	case TCP:
		return "tcp"
	case Serial:
		return "serial"
	}
	return "unknown kind of link"
}

// Config says what to open. Who reads it from people refuses what cannot be.
type Config struct {
	// Number is the link's number in the pad file, from 0.
	Number uint8
	Kind   Kind
	// Address is, for UDP, this computer's own address and port
	// ("0.0.0.0:40123" listens on all); for TCP, the server's host and port;
	// for Serial, the path of the device. A path under /dev/serial/by-id stays
	// the same when an adapter is plugged in again; /dev/ttyUSB0 may not.
	Address string
	// Baud is the speed of a serial line in bits per second, over 0.
	//
	// Opening a serial device asserts DTR and RTS, as systems do: USB
	// autopilots send nothing without, and some boards restart on it. So it is
	// opened once, before a session, and again only after it failed.
	Baud int
}

// String is the link as people write it.
func (c Config) String() string {
	u := url.URL{Scheme: c.Kind.String(), Host: c.Address}
	if c.Kind == Serial {
		u = url.URL{Scheme: "serial", Path: c.Address, RawQuery: "baud=" + strconv.Itoa(c.Baud)}
	}
	return u.String()
}

// Packet is one datagram, or what one read of a stream gave.
type Packet struct {
	Link uint8
	// From and To are the addresses of a datagram, zero for streams. To is
	// the address listened on, unspecified when that is every address.
	From, To netip.AddrPort
	// Bytes is valid until the callback returns.
	Bytes []byte
}

// Event tells that a link came up or went down, or is still down after another
// try.
type Event struct {
	Link uint8
	Up   bool
	// Err is why it is down; nil when Up.
	Err error
	// Text is the event as one line for people.
	Text string
}

// Ours: a first retry soon enough not to cost a whole staleness time, later
// ones seldom enough to burden nothing.
const firstRetry, lastRetry = 250 * time.Millisecond, 5 * time.Second

// maxDatagram holds the largest UDP datagram there is (65,507 bytes).
const maxDatagram = 64 << 10

// wantedQueue is the kernel queue asked for, in bytes: some seconds of a fast
// link. The kernel may give less, without saying so.
const wantedQueue = 1 << 20

// Link is one opened link.
type Link struct {
	cfg    Config
	end    context.Context
	cancel context.CancelFunc

	udp     *net.UDPConn
	port    serial.Port
	running atomic.Bool

	onPacket func(Packet)
	onEvent  func(Event)
}

// Open opens the link. A UDP port must be free and a serial device must be
// there; a TCP server may still be missing, Run keeps trying. Errors say what
// to mend.
func Open(cfg Config) (*Link, error) {
	l := &Link{cfg: cfg}
	switch cfg.Kind {
	case UDP:
		c, err := listen(cfg.Address)
		if err != nil {
			return nil, err
		}
		l.udp = c
	case Serial:
		p, err := openSerial(cfg)
		if err != nil {
			return nil, err
		}
		l.port = p
	}
	l.end, l.cancel = context.WithCancel(context.Background())
	return l, nil
}

// LocalAddr is the address a UDP link listens on, zero for the others.
func (l *Link) LocalAddr() netip.AddrPort {
	if l.udp == nil {
		return netip.AddrPort{}
	}
	a := l.udp.LocalAddr().(*net.UDPAddr).AddrPort()
	return netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
}

// Close ends Run, if it runs, and lets a socket go. A serial device is let go
// by Run; by Close when Run was never called.
func (l *Link) Close() error {
	l.cancel()
	if l.udp != nil {
		if err := l.udp.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
			return fmt.Errorf("close %v: %w", l.cfg, err)
		}
	}
	if l.port != nil && l.running.CompareAndSwap(false, true) {
		if err := l.port.Close(); err != nil {
			return fmt.Errorf("close %v: %w", l.cfg, err)
		}
	}
	return nil
}

// Run reads until ctx ends or Close is called and returns nil then; it returns
// an error only when the link cannot be read any more. It is called once. Both
// callbacks run on this goroutine: they must be quick and must not keep Bytes.
func (l *Link) Run(ctx context.Context, onPacket func(Packet), onEvent func(Event)) error {
	if onPacket == nil || onEvent == nil {
		return fmt.Errorf("run %v: want both callbacks; a link that nobody hears is a fault", l.cfg)
	}
	if !l.running.CompareAndSwap(false, true) {
		return fmt.Errorf("run %v: it ran before, or was closed; open it anew", l.cfg)
	}
	l.onPacket, l.onEvent = onPacket, onEvent
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(l.end, cancel)()
	switch l.cfg.Kind {
	case UDP:
		return l.runUDP(ctx)
	case TCP:
		return l.runTCP(ctx)
	default:
		return l.runSerial(ctx)
	}
}

func (l *Link) up() {
	l.onEvent(Event{Link: l.cfg.Number, Up: true, Text: fmt.Sprintf("link %d (%v) is up", l.cfg.Number, l.cfg)})
}

func (l *Link) down(err error, retry time.Duration) {
	text := fmt.Sprintf("link %d (%v) is down: %v", l.cfg.Number, l.cfg, err)
	if retry > 0 {
		text += fmt.Sprintf("; trying again in %v", retry)
	}
	l.onEvent(Event{Link: l.cfg.Number, Err: err, Text: text})
}

// sleep waits for d; false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// backoff counts the waits between tries.
type backoff struct{ next time.Duration }

func (b *backoff) wait() time.Duration {
	d := max(b.next, firstRetry)
	b.next = min(2*d, lastRetry)
	return d
}

// held tells how long the last connection lasted: one that held for a while
// starts the waits anew, one that breaks at once does not.
func (b *backoff) held(d time.Duration) {
	if d >= lastRetry {
		b.next = 0
	}
}
