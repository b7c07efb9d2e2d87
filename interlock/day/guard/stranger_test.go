package guard

import (
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/interlock/model/craftmodel"
)

// speaker is a sender on the loopback with a socket of its own.
type speaker struct {
	t testing.TB
	c *net.UDPConn
}

func speakTo(t testing.TB, g *Guard, own string) speaker {
	t.Helper()
	from, err := net.ResolveUDPAddr("udp4", own)
	must(t, err)
	c, err := net.DialUDP("udp4", from, net.UDPAddrFromAddrPort(g.links[0].LocalAddr()))
	must(t, err)
	t.Cleanup(func() { c.Close() })
	return speaker{t, c}
}

func (k speaker) say(b []byte) {
	k.t.Helper()
	_, err := k.c.Write(b)
	must(k.t, err)
}

// Real datagrams to a guard that runs: with the craft's address in the pad file a
// stranger's heartbeat, the shortest that there is, is counted and trips nothing,
// and 10,000 datagrams a second of it cost the craft no frame. Without, it is a
// second sender, and in blocked it is said why nothing can start.
//
//fault:row a stranger on the network sends under the craft's name, from another address than the pad file names | counted and shown; nothing else
//fault:row the same with 10,000 datagrams a second | the craft is heard as before; what is not kept of them is counted
//fault:row a stranger on the network sends under the craft's name, and the pad file names neither address nor key | two senders: power off at once, and no start for 10 s
func TestPromise10_AStrangerOnTheNetwork(t *testing.T) {
	t.Parallel()
	for _, named := range []bool{true, false} {
		t.Run(map[bool]string{true: "address named", false: "nothing named"}[named], func(t *testing.T) {
			dir := shortDir(t)
			files := liveFiles(t, dir)
			if named {
				files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), "[[link]]\n", "[[link]]\nfrom = \"127.0.0.2\"\n", 1))
			}
			g := openLive(t, files)
			stop := running(t, g)
			craft, stranger := speakTo(t, g, "127.0.0.2:0"), speakTo(t, g, "127.0.0.3:0")
			beat := encode(t, 0, &common.MessageHeartbeat{Type: 2, Autopilot: 3, BaseMode: 0x80, SystemStatus: 4, MavlinkVersion: 3})
			if len(beat) != 21 {
				t.Fatalf("a heartbeat of %d bytes", len(beat))
			}
			boot := uint32(craftmodel.EightTwo().Uptime / ms)
			sent := uint64(0)
			frame := func() {
				boot += 20
				craft.say(encode(t, byte(sent), &common.MessageAttitude{TimeBootMs: boot}))
				sent++
				time.Sleep(20 * ms)
			}
			for range 20 {
				frame()
			}
			soon(t, "the craft heard", func() bool { return g.Status().Link.Frames == sent })
			stranger.say(beat)
			clash := func() bool {
				return slices.ContainsFunc(g.Status().NotReady, func(s string) bool { return strings.Contains(s, "two senders") })
			}
			soon(t, "the stranger counted", func() bool { return g.Status().Link.WrongAddress == 1 })
			if !named {
				soon(t, "two senders said", clash)
				must(t, stop())
				return
			}
			flood := 0
			for begin := time.Now(); time.Since(begin) < time.Second; frame() {
				for range 200 {
					stranger.say(beat)
					flood++
				}
			}
			time.Sleep(300 * ms)
			s := g.Status()
			if clash() {
				t.Errorf("a start is refused: %v", s.NotReady)
			}
			// The kernel's own queue may overflow on a busy computer.
			if s.Loop.Dropped != 0 || s.Link.Frames < sent*9/10 {
				t.Errorf("%d frames of %d heard, %d chunks dropped", s.Link.Frames, sent, s.Loop.Dropped)
			}
			if n := s.Link.WrongAddress + s.Link.Unkept; n > uint64(flood)+1 || n < uint64(flood)/4 {
				t.Errorf("%d of %d datagrams of the stranger counted: %+v", n, flood, s.Link)
			}
			t.Logf("%d datagrams of the stranger in a second, %+v", flood, s.Link)
			must(t, stop())
		})
	}
}

// The same while power is on, and what an address cannot decide: a forged one.
//
//fault:row somebody forges the address that the pad file names, with a boot clock of its own | power off at once: a key cannot be forged, an address can
func TestPromise10_AStrangerDropsNoCraftInFlight(t *testing.T) {
	files := testFiles(t, t.TempDir(), "tilt.toml")
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), "[[link]]\n", "[[link]]\nfrom = \"127.0.0.1:40124\"\n", 1))
	craft := craftmodel.EightTwo()
	craft.Turbulence = 0
	f := takeOff(t, craft, files)
	elsewhere(f)
	f.guard.Telemetry(intake.Chunk{From: netip.MustParseAddrPort("127.0.0.1:50000"), To: guardPort, Bytes: encode(t, 9, &common.MessageHeartbeat{Type: 2, Autopilot: 3})})
	f.run(5 * time.Second)
	if s := f.guard.Status(); s.State != "live" || s.Link.WrongAddress != 2 || len(f.trips) != 0 {
		t.Fatalf("%s: %v, %+v", s.State, s.FirstCause, s.Link)
	}
	f.send(encode(t, 1, &common.MessageAttitude{TimeBootMs: 1}))
	f.run(100 * ms)
	if s := f.guard.Status(); s.State != "tripped" || s.FirstCause != "the craft restarted" {
		t.Errorf("%s: %v", s.State, s.FirstCause)
	}
}

// Where frames must be signed, a stranger who says the craft's own frame first, as
// it was, takes nothing from it if the pad file names the craft's address; and what
// nobody signs, RADIO_STATUS, displaces nothing under the craft's name, nor is it
// displaced where it comes the craft's way.
//
//fault:row a stranger repeats the craft's signed frames from another address, and is faster than the craft | counted; the craft is heard as before
//fault:row a stranger floods a link whose frames must be signed with RADIO_STATUS under the craft's name | counted; craft and radio are heard as before
func TestPromise10_AStrangerSilencesNoCraftThatSigns(t *testing.T) {
	stranger := netip.MustParseAddrPort("127.0.0.3:40000")
	for _, named := range []bool{true, false} {
		files, key := signedFiles(t, shortDir(t), 0o600)
		if named {
			files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), "[[link]]\n", "[[link]]\nfrom = \""+craftFrom.String()+"\"\n", 1))
		}
		g, at := stepped(t, files)
		hear := func(from netip.AddrPort, b []byte) { g.Telemetry(intake.Chunk{From: from, To: guardPort, Bytes: b}) }
		turn := func() intake.LinkCounts {
			*at += 5 * ms
			g.Turn(*at)
			return countsOf(g).Links[0]
		}
		stamp := signing.StampOf(time.Now())
		hear(craftFrom, signed(t, &key, 1000, stamp))
		turn()
		if named {
			b := signed(t, &key, 1010, stamp+1)
			hear(stranger, b)
			hear(craftFrom, b)
			if n := turn(); n.Frames != 2 || n.WrongAddress != 1 {
				t.Errorf("a stranger was faster: %+v", n)
			}
			must(t, g.Finish(*at))
			continue
		}
		own := encode(t, 0, &common.MessageRadioStatus{Rssi: 200})
		radio := encodeAs(t, 51, 68, 0, &common.MessageRadioStatus{Rssi: 200})
		hear(craftFrom, signed(t, &key, 1010, stamp+1))
		hear(craftFrom, radio)
		for range 1000 {
			hear(stranger, own)
			hear(stranger, radio)
		}
		if n := turn(); n.Frames != 2 || n.Radio != 1 || g.loop.inbox.dropped() != 0 {
			t.Errorf("a flood of RADIO_STATUS: %+v, %d dropped", n, g.loop.inbox.dropped())
		}
		// Copies that are always faster use the craft's own frames up: they are its
		// words all the same, and none is lost.
		for i := range 100 {
			b := signed(t, &key, uint32(1020+10*i), stamp+2+signing.Stamp(i))
			hear(stranger, b)
			hear(craftFrom, b)
			if n := turn(); n.Frames != uint64(3+i) {
				t.Fatalf("a stranger was faster without an address named: %d frames after %d", n.Frames, 3+i)
			}
		}
		must(t, g.Finish(*at))
	}
}

// A datagram that no network carries in one piece costs the loop time, and the disk
// room, in proportion: of a stranger it is counted only.
//
//fault:row a stranger sends datagrams of 64 KiB made to be slow to read | counted only; the craft is heard as before
func TestPromise10_LongDatagramsOfAStrangerAreOnlyCounted(t *testing.T) {
	files := testFiles(t, t.TempDir(), "tilt.toml")
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), "[[link]]\n", "[[link]]\nfrom = \"127.0.0.1:40124\"\n", 1))
	g, at := stepped(t, files)
	long := make([]byte, 65507)
	for i := range long {
		long[i] = [3]byte{0xFD, 0xFF, 0}[i%3]
	}
	for range 8 {
		g.Telemetry(intake.Chunk{From: netip.MustParseAddrPort("127.0.0.3:40000"), To: guardPort, Bytes: long})
	}
	*at += 5 * ms
	began := time.Now()
	g.Turn(*at)
	t.Logf("the turn took %v", time.Since(began))
	if n := countsOf(g).Links[0]; g.loop.unkeptAll != 8 || n.BadBytes != 0 {
		t.Errorf("%d counted only, %+v", g.loop.unkeptAll, n)
	}
	must(t, g.Finish(*at))
}

// countsOf are what came in so far.
func countsOf(g *Guard) (n intake.Counts) {
	g.loop.cfg.Intake.CountsTo(&n)
	return n
}
