package guard

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
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
