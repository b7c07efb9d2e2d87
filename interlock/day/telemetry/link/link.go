package link

import (
	"context"
	"fmt"
	"net/netip"
	"net/url"
	"strconv"
	"sync"
	"sync/atomic"
	"time"
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

// Config states what to open. Who reads it from people refuses what cannot be.
type Config struct {
	// Number is the link's number in the pad file, from 0.
	Number uint8
	Kind   Kind
	// Address is, for UDP, this computer's own address and port
	// ("0.0.0.0:40123" listens on all); for TCP, the server's host and port;
	// for Serial, the path of the device. A path under /dev/serial/by-id stays
	// the same when an adapter is plugged in again; /dev/ttyUSB0 may not.
	Address string
	// From, where it names address and port, gives a UDP link a second socket: what
	// others send waits there, and however much it is displaces nothing of that sender's.
	From netip.AddrPort
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

// Event states that a link came up or went down, or is still down after another
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

// lookEvery is how often a helper looks whether the reader has given its descriptor up.
const lookEvery = 100 * time.Millisecond

// Longest is the room that any datagram fits in: the largest of UDP has 65,507 bytes.
const Longest = 64 << 10

// wantedQueue is the kernel queue asked for, in bytes: some seconds of a fast
// link. The kernel may give less, without saying so.
const wantedQueue = 1 << 20

// Nothing is what Read gives where nothing waits.
const Nothing = -1

// Link is one opened link. Whoever reads it waits, with others of its kind, until
// something came, and then reads until nothing is left. Opening, connecting and trying
// again are the work of a helper, which hands over what is ready to be read.
type Link struct {
	cfg     Config
	end     context.Context
	cancel  context.CancelFunc
	started atomic.Bool
	helper  sync.WaitGroup
	wake    func()
	onEvent func(Event)
	line
}

// Open opens the link. A UDP port must be free and a serial device must be
// there; a TCP server may still be missing, the helper keeps trying. Errors say what
// to mend.
func Open(cfg Config) (*Link, error) {
	l := &Link{cfg: cfg}
	l.end, l.cancel = context.WithCancel(context.Background())
	if err := l.open(); err != nil {
		l.cancel()
		return nil, err
	}
	return l, nil
}

// Start starts the helper. It calls onEvent for every loss and return, and wake when
// the reader must look anew. It is called once.
func (l *Link) Start(onEvent func(Event), wake func()) error {
	if !l.started.CompareAndSwap(false, true) {
		return fmt.Errorf("read %v: it was read before, or was closed; open it anew", l.cfg)
	}
	l.onEvent, l.wake = onEvent, wake
	l.helper.Go(l.help)
	return nil
}

// Close ends the helper and lets go of what is open. Nobody may be reading.
func (l *Link) Close() error {
	l.cancel()
	l.started.Store(true)
	l.helper.Wait()
	if err := l.shut(); err != nil {
		return fmt.Errorf("close %v: %w", l.cfg, err)
	}
	return nil
}

// Number is the link's number in the pad file.
func (l *Link) Number() uint8 { return l.cfg.Number }

func (l *Link) up() {
	l.onEvent(Event{Link: l.cfg.Number, Up: true, Text: fmt.Sprintf("link %d (%v) is up", l.cfg.Number, l.cfg)})
}

// down notes that the link is down, and waits before the next try.
func (l *Link) down(err error, retry time.Duration) {
	l.onEvent(Event{Link: l.cfg.Number, Err: err, Text: fmt.Sprintf("link %d (%v) is down: %v; trying again in %v", l.cfg.Number, l.cfg, err, retry)})
	sleep(l.end, retry)
}

// sleep waits for d; false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
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

// held reports how long the last connection lasted: one that held for a while
// starts the waits anew, one that breaks at once does not.
func (b *backoff) held(d time.Duration) {
	if d >= lastRetry {
		b.next = 0
	}
}
