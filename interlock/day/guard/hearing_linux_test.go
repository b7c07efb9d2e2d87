package guard

import (
	"bytes"
	"context"
	"net"
	"net/netip"
	"slices"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"

	"golang.org/x/sys/unix"
)

// hears has the rig's loop read links of its own, and tells whose a datagram is by who.
func (r *rig) hears(who func(from netip.AddrPort) Whose, cfg ...link.Config) (links []*link.Link) {
	r.t.Helper()
	for _, c := range cfg {
		c.Kind = link.UDP
		l, err := link.Open(c)
		must(r.t, err)
		must(r.t, l.Start(func(link.Event) {}, r.loop.waiter.Wake))
		r.t.Cleanup(func() { must(r.t, l.Close()) })
		r.loop.waiter.Wait(20*time.Second, nil, nil) // the helper hands its socket over, and wakes
		links = append(links, l)
	}
	r.loop.cfg.Whose = func(c *intake.Chunk) Whose { return who(c.From) }
	r.loop.Reads(links)
	return links
}

// socketAt is a socket on the loopback.
func socketAt(t testing.TB, own string) (at netip.AddrPort, say func(to netip.AddrPort, text string)) {
	t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.MustParseAddrPort(own)))
	must(t, err)
	t.Cleanup(func() { c.Close() })
	return c.LocalAddr().(*net.UDPAddr).AddrPort(), func(to netip.AddrPort, text string) {
		t.Helper()
		_, err := c.WriteToUDPAddrPort([]byte(text), to)
		must(t, err)
	}
}

// heardOf are the texts of the link's chunks from there since the last forget.
func (r *rig) heardOf(from netip.AddrPort) (texts []string) {
	for _, c := range r.chunks {
		if c.Source == intake.Telemetry && c.From == from {
			texts = append(texts, string(c.Bytes))
		}
	}
	return texts
}

// Datagrams on one link that take long to read leave the other links their time: what
// waits there is read in the same turns, and does not grow old.
//
//fault:row a flood on one link of datagrams that are slow to read | the other links are read empty in every turn
func TestSlowFloodOnOneLinkLeavesTheOthersTheirTime(t *testing.T) {
	r := newRig(t)
	flooder, flood := socketAt(t, "127.0.0.3:0")
	craft, say := socketAt(t, "127.0.0.2:0")
	links := r.hears(func(from netip.AddrPort) Whose {
		if from == flooder {
			r.now += 2 * ms // as long as one made for it takes
		}
		return Craft
	}, link.Config{Address: "127.0.0.1:0"}, link.Config{Number: 1, Address: "127.0.0.1:0"})
	r.run(100 * ms)
	for range 200 {
		flood(links[0].LocalAddr(), "slow")
	}
	r.forget()
	for range 10 {
		say(links[1].LocalAddr(), "craft")
		say(links[1].LocalAddr(), "craft")
		r.loop.Turn(r.now)
	}
	if n, slow := len(r.heardOf(craft)), len(r.heardOf(flooder)); n != 20 || slow < 10 {
		t.Errorf("of 20 datagrams beside the flood %d were read in 10 turns, and %d of the flood", n, slow)
	}
}

// A craft that comes to send to another address than its socket listens on: what waited
// among the others' datagrams is as old as their flood made it, and is thrown away.
func TestWhatWaitedBehindAFloodIsNotTaken(t *testing.T) {
	r := newRig(t)
	craft, say := socketAt(t, "127.0.0.2:0")
	_, flood := socketAt(t, "127.0.0.3:0")
	links := r.hears(func(from netip.AddrPort) Whose {
		if from == craft {
			return Craft
		}
		return Stranger
	}, link.Config{Address: "0.0.0.0:0", From: craft})
	elsewhere := netip.AddrPortFrom(netip.MustParseAddr("127.0.0.9"), links[0].LocalAddr().Port())
	r.run(100 * ms)
	for range 50 {
		flood(elsewhere, "flood")
	}
	for range 20 {
		say(elsewhere, "old")
	}
	r.forget()
	for range 50 {
		r.now += 5 * ms
		r.loop.Turn(r.now)
	}
	if n := len(r.heardOf(craft)); n != 0 {
		t.Errorf("%d datagrams were taken a quarter of a second after they came", n)
	}
	say(elsewhere, "new")
	r.now += 5 * ms
	r.loop.Turn(r.now)
	if got := r.heardOf(craft); len(got) != 1 || got[0] != "new" {
		t.Errorf("heard %q, want what came last", got)
	}
}

// Noise on an input line that wakes the loop without end: it rests between turns, the
// heartbeat goes on, and what a helper rings for comes in all the same.
//
//fault:row a floating wire on an input line gives edges without end | at most 2,000 turns a second; edges that found no room are counted, and one of a stop may have been among them
func TestNoiseOnALineTakesNoProcessor(t *testing.T) {
	r := newRig(t)
	noise, err := unix.Eventfd(1, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK)
	must(t, err)
	defer unix.Close(noise)
	r.board.noise = []int{noise}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	began := time.Now()
	now := func() time.Duration { return time.Since(began) }
	r.loop.cfg.Clock = now
	g := &Guard{loop: r.loop, now: now}
	go func() { defer close(done); g.turnUntil(ctx) }()
	time.Sleep(300 * ms)
	r.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "heard"})
	time.Sleep(100 * ms)
	stop()
	<-done
	most := uint64(now()/turnsApart) + 2*turnsBurst
	if n := r.loop.turns; n > 2*most { // a wait may end early
		t.Errorf("%d turns, at most %d", n, most)
	}
	if !slices.ContainsFunc(r.chunks, func(c intake.Chunk) bool { return bytes.Contains(c.Bytes, []byte("heard")) }) {
		t.Error("a mark was not taken")
	}
}

// A burst is taken at once, and a steady flood no faster than the turns are apart; a rest
// never grows.
func TestPaceBoundsTurns(t *testing.T) {
	var p pace
	now := time.Second
	for i := range turnsBurst {
		if rest := p.rest(now); rest > 0 {
			t.Fatalf("turn %d of a burst rests %v", i, rest)
		}
	}
	turns := 0
	for end := now + time.Second; now < end; turns++ {
		rest := p.rest(now)
		if rest < 0 || rest > 2*turnsApart {
			t.Fatalf("a rest of %v", rest)
		}
		now += max(rest, time.Microsecond)
	}
	if most := int(time.Second / turnsApart); turns < most-2 || turns > most+2 {
		t.Errorf("%d turns in a second, want %d", turns, most)
	}
	for range 1000 {
		if rest := p.rest(now); rest > 2*turnsApart {
			t.Fatalf("rung again and again it rests %v", rest)
		}
	}
	for range 1000 { // as with a craft, pins and sensors
		if now += 1400 * time.Microsecond; p.rest(now) > 0 {
			now += 2 * turnsApart
		}
	}
	if rest := p.rest(now + 1400*time.Microsecond); rest > 0 {
		t.Errorf("700 turns a second rest %v", rest)
	}
}
