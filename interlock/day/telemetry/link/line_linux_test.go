package link

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// reads is a link that is read from here.
func reads(t *testing.T, cfg Config) (*Link, *Waiter) {
	t.Helper()
	l, err := Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	w, err := NewWaiter()
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Start(func(Event) {}, w.Wake); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l, w
}

// next waits for the next that the link gives.
func next(t *testing.T, l *Link, w *Waiter) (string, netip.AddrPort, uint32) {
	t.Helper()
	buf := make([]byte, Longest)
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); w.Wait(time.Second, []*Link{l}, nil) {
		if n, from, lost := l.Read(buf); n != Nothing {
			return string(buf[:n]), from, lost
		}
	}
	t.Fatal("nothing came")
	return "", netip.AddrPort{}, 0
}

func sender(t *testing.T, own string) *net.UDPConn {
	t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.MustParseAddrPort(own)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func addrOf(c *net.UDPConn) netip.AddrPort { return c.LocalAddr().(*net.UDPAddr).AddrPort() }

func send(t *testing.T, c *net.UDPConn, to netip.AddrPort, text string) {
	t.Helper()
	if _, err := c.WriteToUDPAddrPort([]byte(text), to); err != nil {
		t.Fatal(err)
	}
}

// counts skips the rest where the kernel does not count what it drops: a link is listened
// on all the same (an emulator of another processor's user programs does not).
func counts(t *testing.T, l *Link) {
	t.Helper()
	if on, err := unix.GetsockoptInt(l.now.fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL); err != nil || on == 0 {
		t.Skipf("the kernel does not count what it drops (%d, %v)", on, err)
	}
}

// Others' flood fills a queue of its own: the craft's words wait for nobody, and what the
// kernel dropped of the others is counted.
func TestOthersHaveAQueueOfTheirOwn(t *testing.T) {
	craft, other := sender(t, "127.0.0.2:0"), sender(t, "127.0.0.3:0")
	l, w := reads(t, Config{Kind: UDP, Address: "127.0.0.1:0", From: addrOf(craft)})
	send(t, craft, l.LocalAddr(), "first")
	if text, from, _ := next(t, l, w); text != "first" || from != addrOf(craft) {
		t.Fatalf("%q from %v", text, from)
	}
	const flood = 20_000
	for range flood {
		send(t, other, l.LocalAddr(), strings.Repeat("x", 200))
	}
	send(t, craft, l.LocalAddr(), "second")
	if text, from, lost := next(t, l, w); text != "second" || from != addrOf(craft) || lost != 0 {
		t.Errorf("%.20q from %v with %d lost", text, from, lost)
	}
	buf, heard, lost := make([]byte, Longest), 0, 0
	for last := false; ; {
		n, from, before := l.ReadAside(buf)
		if n == Nothing {
			if last {
				break
			}
			last = true
			send(t, other, l.LocalAddr(), "last") // brings the count of what was dropped
			continue
		}
		heard, lost = heard+1, lost+int(before)
		if from != addrOf(other) {
			t.Fatalf("from %v", from)
		}
	}
	if counts(t, l); heard+lost != flood+1 || lost == 0 {
		t.Errorf("%d heard and %d lost of %d", heard, lost, flood+1)
	}
}

// A craft that sends to another address of this computer than the one by which it is
// reached: what it says comes aside, and by Read once the link is widened.
func TestWidenedLinkHearsTheCraftWhereverItSends(t *testing.T) {
	craft := sender(t, "127.0.0.2:0")
	l, w := reads(t, Config{Kind: UDP, Address: "0.0.0.0:0", From: addrOf(craft)})
	send(t, craft, netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), l.LocalAddr().Port()), "here")
	if text, _, _ := next(t, l, w); text != "here" {
		t.Fatalf("%q", text)
	}
	elsewhere := netip.AddrPortFrom(netip.MustParseAddr("127.0.0.9"), l.LocalAddr().Port())
	send(t, craft, elsewhere, "aside")
	buf := make([]byte, Longest)
	if n, from, _ := l.ReadAside(buf); n != 5 || from != addrOf(craft) {
		t.Fatalf("%d bytes from %v came aside", n, from)
	}
	l.Widen()
	send(t, craft, elsewhere, "now")
	if text, _, _ := next(t, l, w); text != "now" {
		t.Errorf("%q", text)
	}
}

// What the kernel drops while nobody reads is told with the next that is read.
func TestWhatTheKernelDropsIsCounted(t *testing.T) {
	craft := sender(t, "127.0.0.1:0")
	l, w := reads(t, Config{Kind: UDP, Address: "127.0.0.1:0"})
	const flood = 20_000
	for range flood {
		send(t, craft, l.LocalAddr(), strings.Repeat("x", 200))
	}
	heard, lost := 0, 0
	take := func() string {
		text, _, before := next(t, l, w)
		heard, lost = heard+1, lost+int(before)
		return text
	}
	take()
	for buf := make([]byte, Longest); ; heard++ {
		n, _, before := l.Read(buf)
		if n == Nothing {
			break
		}
		lost += int(before)
	}
	send(t, craft, l.LocalAddr(), "last")
	for take() != "last" {
		continue
	}
	if counts(t, l); heard+lost != flood+1 || lost == 0 {
		t.Errorf("%d heard and %d lost of %d", heard, lost, flood+1)
	}
}

// The port of a link with one sender is no more to be shared than any other.
func TestPortWithOneSenderIsNotShared(t *testing.T) {
	l, err := Open(Config{Kind: UDP, Address: "127.0.0.1:0", From: netip.MustParseAddrPort("127.0.0.2:9")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, option := range []int{0, unix.SO_REUSEADDR, unix.SO_REUSEPORT} {
		fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		if option != 0 {
			if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, option, 1); err != nil {
				t.Fatal(err)
			}
		}
		if err := unix.Bind(fd, sockaddr(l.LocalAddr())); err == nil {
			t.Errorf("another socket with option %d took the port as well", option)
		}
	}
	if _, err := Open(Config{Kind: UDP, Address: l.LocalAddr().String(), From: netip.MustParseAddrPort("127.0.0.2:9")}); err == nil || !strings.Contains(err.Error(), "another program") {
		t.Errorf("a second link took the port: %v", err)
	}
}

// A descriptor that only reports an error is given up: the reader would find nothing
// there, and never wait again.
func TestDescriptorThatOnlyReportsAnErrorIsGivenUp(t *testing.T) {
	var s source
	var pipe [2]int
	if err := unix.Pipe2(pipe[:], unix.O_NONBLOCK|unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	defer unix.Close(pipe[0])
	defer unix.Close(pipe[1])
	s.fd, s.stream = pipe[0], true
	if n, _, _, err := s.read(make([]byte, 8)); n != Nothing || err != nil {
		t.Fatalf("an empty pipe: %d, %v", n, err)
	}
	l := &Link{line: line{now: s}}
	w, err := NewWaiter()
	if err != nil {
		t.Fatal(err)
	}
	unix.Close(pipe[1])
	w.Wait(time.Second, []*Link{l}, nil)
	if !l.now.hung {
		t.Fatal("the end of the other side was not seen")
	}
	l.now.stream = true
	if n, _, _ := l.Read(make([]byte, 8)); n != Nothing || l.now.fd != -1 || l.failed.Load() == nil {
		t.Errorf("%d read, descriptor %d, given up %v", n, l.now.fd, l.failed.Load())
	}
}

// A descriptor of others that only reports an error, as of a chip that is pulled out, is
// waited for once: after that it ends no wait any more.
//
//fault:row a descriptor that is waited for only reports an error, as of a chip that is pulled out | it is left out of the wait; the loop turns no oftener than before
func TestChipThatIsGoneIsNotWaitedFor(t *testing.T) {
	var pipe [2]int
	if err := unix.Pipe2(pipe[:], unix.O_NONBLOCK|unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	defer unix.Close(pipe[0])
	w, err := NewWaiter()
	if err != nil {
		t.Fatal(err)
	}
	unix.Close(pipe[1])
	others := []int{pipe[0], -1}
	w.Wait(20*time.Second, nil, others)
	if w.fds[1].Revents&hung == 0 || others[0] != -1 {
		t.Fatalf("reported %x, waited for %d", w.fds[1].Revents, others[0])
	}
	if w.Wait(time.Millisecond, nil, others); w.fds[1].Revents != 0 {
		t.Errorf("the next wait was ended by it again: %x", w.fds[1].Revents)
	}
}

// A Wake before the wait ends it, one for many, and none is lost between two waits.
func TestWakeEndsTheWait(t *testing.T) {
	w, err := NewWaiter()
	if err != nil {
		t.Fatal(err)
	}
	const rounds = 2000
	asked, answered := make(chan int), make(chan int)
	go func() {
		for n := range asked {
			for range n % 3 {
				w.Wake()
			}
			w.Wake()
			answered <- n
		}
	}()
	for n := range rounds {
		asked <- n
		w.Wait(time.Hour, nil, nil) // a lost Wake holds the test up
		<-answered
		for w.rung.Load() {
			w.Wait(0, nil, nil)
		}
	}
	close(asked)
}

// Somebody's ICMP message that the craft's port is closed, which anybody can forge, takes
// nothing from a socket that names its sender: the link stays, and what comes is heard.
func TestForgedICMPMessageTakesNoLinkDown(t *testing.T) {
	craft := sender(t, "127.0.0.2:0")
	at := addrOf(craft)
	l, w := reads(t, Config{Kind: UDP, Address: "127.0.0.1:0", From: at})
	send(t, craft, l.LocalAddr(), "first")
	next(t, l, w)
	craft.Close()
	if _, err := unix.Write(l.now.fd, []byte("brings the kernel's own message")); err != nil {
		t.Fatal(err)
	}
	w.Wait(20*time.Second, []*Link{l}, nil)
	if !l.now.hung {
		t.Skip("the kernel did not tell of a closed port")
	}
	again := sender(t, at.String())
	if n, _, _ := l.Read(make([]byte, Longest)); n != Nothing || l.now.fd < 0 {
		t.Fatalf("%d read, descriptor %d", n, l.now.fd)
	}
	send(t, again, l.LocalAddr(), "second")
	if text, _, _ := next(t, l, w); text != "second" || l.failed.Load() != nil {
		t.Errorf("%q, given up %v", text, l.failed.Load())
	}
}

// A craft that sends while the link is opened: none of its words lies among the others',
// where it would pass for one that was sent to another address.
func TestCraftThatSendsWhileTheLinkOpens(t *testing.T) {
	craft := sender(t, "127.0.0.2:0")
	cfg := Config{Kind: UDP, Address: "127.0.0.1:0", From: addrOf(craft)}
	l, err := Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	at := l.LocalAddr()
	cfg.Address = at.String()
	var over, began atomic.Bool
	var work sync.WaitGroup
	work.Go(func() {
		for ; !over.Load(); began.Store(true) {
			_, _ = craft.WriteToUDPAddrPort([]byte("here"), at)
		}
	})
	defer work.Wait()
	defer over.Store(true)
	for !began.Load() {
		time.Sleep(time.Millisecond)
	}
	astray, buf := 0, make([]byte, Longest)
	const opened = 500
	for range opened {
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if l, err = Open(cfg); err != nil {
			t.Fatal(err)
		}
		if n, _, _ := l.ReadAside(buf); n != Nothing {
			astray++
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	// One that the kernel is delivering at the very moment may still go astray.
	if astray > opened/20 {
		t.Errorf("after %d of %d openings a word of the craft's lay among the others'", astray, opened)
	}
}

// A sender to whom there is no way now: the link is opened all the same, and hears all by
// one socket. An address of everybody stands for it: a socket without leave cannot name it.
func TestSenderThatCannotBeReachedYet(t *testing.T) {
	l, w := reads(t, Config{Kind: UDP, Address: "127.0.0.1:0", From: netip.MustParseAddrPort("255.255.255.255:9")})
	other := sender(t, "127.0.0.3:0")
	send(t, other, l.LocalAddr(), "heard")
	if text, from, _ := next(t, l, w); text != "heard" || from != addrOf(other) {
		t.Errorf("%q from %v", text, from)
	}
}

// The zone of an IPv6 address may be written as the interface's number (RFC 4007, 11.2).
func TestZoneByNumber(t *testing.T) {
	if a, ok := sockaddr(netip.MustParseAddrPort("[fe80::1%3]:9")).(*unix.SockaddrInet6); !ok || a.ZoneId != 3 {
		t.Errorf("%+v", a)
	}
}

func ExampleConfig_String() {
	fmt.Println(Config{Kind: Serial, Address: "/dev/serial/by-id/radio", Baud: 57600})
	// Output: serial:///dev/serial/by-id/radio?baud=57600
}
