package reading

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/telemetry/link"
)

// patience is how long a test waits for what must come; it is only used up
// when the test fails.
const patience = 20 * time.Second

// heard collects what a running link says.
type heard struct {
	packets chan Packet
	events  chan link.Event
	done    chan error
	stop    context.CancelFunc
}

// end stops the reading and waits for its end.
func (h heard) end(t *testing.T) {
	t.Helper()
	h.stop()
	select {
	case err := <-h.done:
		if err != nil {
			t.Errorf("run: %v", err)
		}
		h.done <- nil
	case <-time.After(patience):
		t.Error("run did not end with its context")
	}
}

// run starts the link; the test's end stops it and sees that it stopped well.
func run(t *testing.T, l *link.Link) heard {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	h := heard{make(chan Packet, 1000), make(chan link.Event, 1000), make(chan error, 1), cancel}
	go func() {
		h.done <- Run(ctx, l, func(p Packet) {
			p.Bytes = bytes.Clone(p.Bytes)
			h.packets <- p
		}, func(e link.Event) { h.events <- e })
	}()
	t.Cleanup(func() { h.end(t) })
	return h
}

func (h heard) packet(t *testing.T) Packet {
	t.Helper()
	select {
	case p := <-h.packets:
		return p
	case <-time.After(patience):
		t.Fatal("no packet came")
		return Packet{}
	}
}

// bytes reads a stream until n bytes came.
func (h heard) bytes(t *testing.T, n int) []byte {
	t.Helper()
	var b []byte
	for len(b) < n {
		b = append(b, h.packet(t).Bytes...)
	}
	return b
}

// event waits for the next event and checks its direction.
func (h heard) event(t *testing.T, up bool) link.Event {
	t.Helper()
	select {
	case e := <-h.events:
		if e.Up != up || (e.Err == nil) != up || e.Text == "" {
			t.Fatalf("event %+v, want up %v with a text", e, up)
		}
		return e
	case <-time.After(patience):
		t.Fatalf("no event came, want up %v", up)
		return link.Event{}
	}
}

func open(t *testing.T, c link.Config) *link.Link {
	t.Helper()
	l, err := link.Open(c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestUDPDatagramsArriveWhole(t *testing.T) {
	l := open(t, link.Config{Number: 3, Kind: link.UDP, Address: "127.0.0.1:0"})
	h := run(t, l)
	h.event(t, true)
	peer, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(l.LocalAddr()))
	if err != nil {
		t.Fatal(err)
	}
	defer peer.Close()
	// 65,507 is the largest UDP payload over IPv4 (RFC 768, RFC 791).
	for _, n := range []int{1, 512, 513, 27 * 37, 9000, 65507} {
		want := bytes.Repeat([]byte{byte(n), 0xFD, 7}, n/3+1)[:n]
		if _, err := peer.Write(want); err != nil {
			t.Fatalf("send %d bytes: %v", n, err)
		}
		p := h.packet(t)
		if !bytes.Equal(p.Bytes, want) {
			t.Errorf("sent %d bytes, got %d", n, len(p.Bytes))
		}
		if from := peer.LocalAddr().(*net.UDPAddr).AddrPort(); p.From != from || p.To != l.LocalAddr() || p.Link != 3 {
			t.Errorf("from %v to %v link %d, want from %v to %v link 3", p.From, p.To, p.Link, from, l.LocalAddr())
		}
	}
}

func TestUDPHearsEveryPeer(t *testing.T) {
	l := open(t, link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
	h := run(t, l)
	for i := range 5 {
		peer, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(l.LocalAddr()))
		if err != nil {
			t.Fatal(err)
		}
		defer peer.Close()
		peer.Write([]byte{byte(i)})
		p := h.packet(t)
		if from := peer.LocalAddr().(*net.UDPAddr).AddrPort(); p.From != from || p.Bytes[0] != byte(i) {
			t.Errorf("from %v, want %v", p.From, from)
		}
	}
}

// Promise 10: passive, not one byte is sent.
func TestPromise10_NotOneByteIsSent(t *testing.T) {
	t.Run("udp", func(t *testing.T) {
		l := open(t, link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
		h := run(t, l)
		peer, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		if err != nil {
			t.Fatal(err)
		}
		defer peer.Close()
		for range 20 {
			peer.WriteToUDPAddrPort([]byte("\xFD\x00\x00"), l.LocalAddr())
			h.packet(t)
		}
		h.end(t)
		<-h.events
		// What the link sent before it closed is in the queue by now: loopback
		// delivers within the send.
		peer.SetReadDeadline(time.Now().Add(300 * time.Millisecond))
		if n, from, err := peer.ReadFromUDPAddrPort(make([]byte, 100)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("the peer got %d bytes from %v (%v), want none", n, from, err)
		}
	})
	t.Run("tcp", func(t *testing.T) {
		s, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		l := open(t, link.Config{Kind: link.TCP, Address: s.Addr().String()})
		h := run(t, l)
		c, err := s.Accept()
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		for range 20 {
			c.Write([]byte("\xFD\x00\x00"))
			h.packet(t)
		}
		h.end(t)
		c.SetReadDeadline(time.Now().Add(patience))
		// The close of the link ends this read: all it ever sent was read.
		if n, err := c.Read(make([]byte, 100)); n != 0 || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("the peer got %d bytes (%v), want only the end of the connection", n, err)
		}
	})
}

func TestUDPPortTakenSaysHowToMend(t *testing.T) {
	l := open(t, link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
	defer l.Close()
	addr := l.LocalAddr().String()
	_, err := link.Open(link.Config{Kind: link.UDP, Address: addr})
	if err == nil {
		t.Fatal("one port was opened twice")
	}
	for _, want := range []string{addr, "another program", "another port"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not say %q", err, want)
		}
	}
}

func TestOpenRefusesWithTheMend(t *testing.T) {
	file := filepath.Join(t.TempDir(), "no-tty")
	os.WriteFile(file, nil, 0o600)
	for _, c := range []struct {
		cfg  link.Config
		want string
	}{
		// 192.0.2.0/24 is for documentation only (RFC 5737): no host has it.
		{link.Config{Kind: link.UDP, Address: "192.0.2.1:40123"}, "no such address"},
		{link.Config{Kind: link.Serial, Address: file, Baud: 57600}, "not a serial device"},
		{link.Config{Kind: link.Serial, Address: file + "-missing", Baud: 57600}, "no such device"},
	} {
		l, err := link.Open(c.cfg)
		if err == nil {
			l.Close()
			t.Errorf("%v was opened", c.cfg)
			continue
		}
		if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: error %q does not say %q", c.cfg, err, c.want)
		}
	}
}

func TestTCPSaysEveryLossAndReturn(t *testing.T) {
	s, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := open(t, link.Config{Number: 2, Kind: link.TCP, Address: s.Addr().String()})
	h := run(t, l)
	accept := func(text string) {
		t.Helper()
		c, err := s.Accept()
		if err != nil {
			t.Fatal(err)
		}
		c.Write([]byte(text))
		if got := h.bytes(t, len(text)); string(got) != text {
			t.Errorf("got %q, want %q", got, text)
		}
		c.Close()
	}
	accept("one")
	h.event(t, true)
	if e := h.event(t, false); e.Link != 2 || !strings.Contains(e.Text, "trying again in") || !strings.Contains(e.Text, s.Addr().String()) {
		t.Errorf("event %+v", e)
	}
	accept("two")
	h.event(t, true)
	h.event(t, false)
	// Nobody there: each try is said, with what to mend; then it is there again.
	addr := s.Addr().String()
	s.Close()
	if e := h.event(t, false); !strings.Contains(e.Text, "nothing serves that port") && !strings.Contains(e.Text, "reset") {
		t.Errorf("event %+v", e)
	}
	if s, err = net.Listen("tcp", addr); err != nil {
		t.Skipf("the system gave the test's port away: %v", err)
	}
	defer s.Close()
	accept("three")
	for e := range h.events {
		if e.Up {
			break
		}
	}
}

func TestRunTwiceOrDeafIsRefused(t *testing.T) {
	l := open(t, link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
	if err := Run(context.Background(), l, nil, nil); err == nil {
		t.Error("run without callbacks was taken")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := Run(ctx, l, func(Packet) {}, func(link.Event) {}); err != nil {
		t.Errorf("run with an ended context: %v", err)
	}
	if err := Run(context.Background(), l, func(Packet) {}, func(link.Event) {}); err == nil {
		t.Error("run was taken twice")
	}
	if err := l.Close(); err != nil {
		t.Errorf("close after run: %v", err)
	}
}

func TestUnmapsAddresses(t *testing.T) {
	l := open(t, link.Config{Kind: link.UDP, Address: "[::ffff:127.0.0.1]:0"})
	h := run(t, l)
	peer, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(l.LocalAddr()))
	if err != nil {
		t.Fatal(err)
	}
	defer peer.Close()
	peer.Write([]byte{1})
	if p := h.packet(t); p.From.Addr() != netip.MustParseAddr("127.0.0.1") || !p.To.Addr().Is4() {
		t.Errorf("from %v to %v, want plain IPv4", p.From, p.To)
	}
}
