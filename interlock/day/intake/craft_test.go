package intake

import (
	"encoding/hex"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
	"downhaul/rules"
)

const ms = time.Millisecond

func TestCraftFrameGivesFrameThenSamples(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1, seq: 77}
	got := f.datagram(0, addrA, craft.frame(attitude(1000, 0.25)))
	if len(got) < 2 || got[0] != (interlock.Input{Kind: interlock.FrameInput, Seq: 77}) {
		t.Fatalf("inputs %+v, want the frame with seq 77 first", got)
	}
	if s, ok := value(got, rules.Roll); !ok || s.Value != 0.25 || s.Quality != rules.Good {
		t.Errorf("roll %+v %v, want 0.25", s, ok)
	}
	if s, ok := value(got, rules.CraftBootClock); !ok || s.Value != 1 {
		t.Errorf("boot clock %+v %v, want 1 s", s, ok)
	}
}

// Published frames: a walk through version 1 frames by hand, 17 October 2015;
// mavlink/rust-mavlink mavlink/tests/test_shared/mod.rs (both
// versions) and mavlink/tests/signing.rs (signed; without a key it passes).
func TestPublishedFramesPass(t *testing.T) {
	for _, c := range []struct {
		hex        string
		sys, comp  uint8
		seq        uint32
		wantStatus float64
	}{
		{"FE094E01010000000000020351 04031C7F", 1, 1, 0x4E, 4},
		{"FE09EF01020005000000020359 03031F50", 1, 2, 0xEF, 3},
		{"FD090000EF0102000000 050000000203590303 2E73", 1, 2, 0xEF, 3},
		{"FD090100EF0102000000 050000000203590303 C98B 00FFFFFFFFFFFF 2718B168CCF5", 1, 2, 0xEF, 3},
	} {
		b, err := hex.DecodeString(strings.ReplaceAll(c.hex, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		f := feed(t, Config{Craft: Craft{c.sys, c.comp}})
		got := f.datagram(0, addrA, b)
		if has(got, interlock.FrameInput) != 1 || got[0].Seq != c.seq {
			t.Errorf("%s: inputs %+v", c.hex, got)
		}
		if s, _ := value(got, rules.CraftStatus); s.Value != c.wantStatus {
			t.Errorf("%s: status %v, want %v", c.hex, s.Value, c.wantStatus)
		}
		b[len(b)-9] ^= 1 // within the payload or the checksum of each
		b[8] ^= 0x10
		if got := feed(t, Config{Craft: Craft{c.sys, c.comp}}).datagram(0, addrA, b); len(got) != 0 {
			t.Errorf("%s damaged: inputs %+v, want none", c.hex, got)
		}
	}
}

func TestPromise10_OnlyTheNamedCraftIsHeard(t *testing.T) {
	var others []uint8
	f := feed(t, Config{Craft: Craft{1, 1}, Other: func(system, component uint8) { others = append(others, system, component) }})
	for i, s := range []sender{{system: 255, component: 190}, {system: 1, component: 154}, {system: 2, component: 1}} {
		if got := f.datagram(time.Duration(i)*ms, addrA, s.frame(heartbeat()), s.frame(attitude(5, 3))); len(got) != 0 {
			t.Errorf("sender %d/%d gave %+v, want nothing", s.system, s.component, got)
		}
	}
	n := f.in.Counts().Links[0]
	if n.Others != 6 || n.Frames != 0 || n.WrongAddress != 0 {
		t.Errorf("counts %+v, want 6 of others", n)
	}
	if want := []uint8{255, 190, 255, 190, 1, 154, 1, 154, 2, 1, 2, 1}; !slices.Equal(others, want) {
		t.Errorf("heard of others: %v, want %v", others, want)
	}
	f.datagram(5*ms, addrA, (&sender{system: 1, component: 1}).frame(heartbeat()))
	if len(others) != 12 {
		t.Errorf("the craft is heard of as another: %v", others)
	}
}

func TestPromise10_OneIdentityFromTwoAddressesIsSaid(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	clock := uint32(1000)
	send := func(at time.Duration, from netip.AddrPort) []interlock.Input {
		clock += 10
		return f.datagram(at, from, craft.frame(attitude(clock, 0)))
	}
	if got := send(0, addrA); has(got, interlock.FrameInput) != 1 {
		t.Fatalf("first heard: %+v", got)
	}
	said := 0
	for at := 100 * ms; at < 2400*ms; at += 100 * ms {
		for _, from := range []netip.AddrPort{addrB, addrC} {
			got := send(at, from)
			if n := clashes(got); n != len(got) {
				t.Fatalf("at %v a frame from %v fed %+v, want nothing but the clash", at, from, got)
			}
			said += len(got)
		}
		if got := send(at+50*ms, addrA); has(got, interlock.FrameInput) != 1 {
			t.Fatalf("at %v the craft's own frame gave %+v", at, got)
		}
	}
	if said != 1 {
		t.Errorf("the clash was said %d times, want once", said)
	}
	if n := f.in.Counts(); n.Clashes != 1 || n.Links[0].WrongAddress != 46 {
		t.Errorf("counts %+v", n)
	}
	// It is said again while it lasts, so that nothing starts in its midst.
	if got := send(2700*ms, addrB); clashes(got) != 1 {
		t.Errorf("a clash that lasts gave %+v after 2.6 s", got)
	}
	// The craft falls silent: at 2.5 s the address is still held, later not.
	if got := send(2350*ms+2500*ms, addrB); has(got, interlock.FrameInput) != 0 {
		t.Errorf("at 2.5 s of silence the second address was taken: %+v", got)
	}
	if got := send(2350*ms+2501*ms, addrB); has(got, interlock.FrameInput) != 1 || clashes(got) != 0 {
		t.Errorf("after 2.5 s of silence the second address gave %+v", got)
	}
}

func TestPromise10_PinnedAddress(t *testing.T) {
	for _, c := range []struct {
		pin  netip.AddrPort
		from netip.AddrPort
		ok   bool
	}{
		{addrA, addrA, true}, {addrA, addrB, false}, {addrA, addrC, false},
		{netip.AddrPortFrom(addrA.Addr(), 0), addrC, true}, {netip.AddrPortFrom(addrA.Addr(), 0), addrB, false},
		{addrA, netip.MustParseAddrPort("[::ffff:192.0.2.1]:14001"), true},
		{netip.MustParseAddrPort("[::ffff:192.0.2.1]:14001"), addrA, true},
		{addrA, netip.AddrPort{}, false},
	} {
		f := feed(t, Config{Links: []LinkConfig{{From: c.pin}}})
		craft := sender{system: 1, component: 1}
		got := f.datagram(time.Hour, c.from, craft.frame(heartbeat()))
		if ok := has(got, interlock.FrameInput) == 1; ok != c.ok || clashes(got) != 0 {
			t.Errorf("pinned to %v, from %v: %+v, want accepted %v", c.pin, c.from, got, c.ok)
		}
	}
}

func TestPromise10_IdentityOnTwoLinks(t *testing.T) {
	f := feed(t, Config{Links: []LinkConfig{{}, {Stream: true}}})
	craft := sender{system: 1, component: 1}
	f.datagram(0, addrA, craft.frame(heartbeat()))
	got := f.chunk(Chunk{At: time.Second, Source: Telemetry, Link: 1, Bytes: craft.frame(heartbeat())})
	if clashes(got) != 1 || len(got) != 1 {
		t.Errorf("the craft on a second link gave %+v, want the clash alone", got)
	}
	if got := f.chunk(Chunk{At: 9 * time.Second, Source: Telemetry, Link: 1, Bytes: craft.frame(heartbeat())}); has(got, interlock.FrameInput) != 1 {
		t.Errorf("after the first link fell silent: %+v", got)
	}
	if got := f.chunk(Chunk{At: 9 * time.Second, Source: Telemetry, Link: 2, Bytes: craft.frame(heartbeat())}); len(got) != 0 {
		t.Errorf("a link that the pad has not gave %+v", got)
	}
}

func TestUnmovedBootClockIsNoSample(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	f.datagram(0, addrA, craft.frame(attitude(1000, 0.1)))
	for i := range 20 {
		if got := f.datagram(time.Duration(i+1)*100*ms, addrA, craft.frame(attitude(1000, float32(i)/50))); len(got) != 0 {
			t.Fatalf("a frozen boot clock gave %+v", got)
		}
	}
	if got := f.datagram(2100*ms, addrA, craft.frame(attitude(1001, 0.1))); has(got, interlock.FrameInput) != 1 {
		t.Errorf("the clock moved again and gave %+v", got)
	}
	// One clock, several things: none of these is a repeat of another.
	far, near := &common.MessageDistanceSensor{TimeBootMs: 2000, Id: 1, Orientation: 25, CurrentDistance: 250, MaxDistance: 900},
		&common.MessageDistanceSensor{TimeBootMs: 2000, Id: 2, Orientation: 25, CurrentDistance: 240, MaxDistance: 900}
	a, b := &common.MessageNamedValueFloat{TimeBootMs: 2000, Name: "abcdefghi1"}, &common.MessageNamedValueFloat{TimeBootMs: 2000, Name: "abcdefghi2"}
	got := f.datagram(2200*ms, addrA, craft.frame(far), craft.frame(near), craft.frame(a), craft.frame(b))
	if n := has(got, interlock.FrameInput); n != 4 {
		t.Errorf("%d of 4 frames with one clock and different subjects passed", n)
	}
	got = f.datagram(2300*ms, addrA, craft.frame(far), craft.frame(near), craft.frame(a), craft.frame(b))
	if len(got) != 0 {
		t.Errorf("their repeats gave %+v", got)
	}
	if n := f.in.Counts().Links[0]; n.Repeated != 24 {
		t.Errorf("%d duplicates counted, want 24", n.Repeated)
	}
}

func TestOvertakenFramesGiveNothing(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	old := craft.frame(attitude(1001, 0.5))
	f.datagram(0, addrA, craft.frame(attitude(2000, 0)))
	if got := f.datagram(ms, addrA, old); len(got) != 0 {
		t.Errorf("a frame 999 ms older than the newest gave %+v", got)
	}
	if n := f.in.Counts().Links[0]; n.Late != 1 || n.Restarts != 0 || n.Frames != 1 {
		t.Errorf("counts %+v", n)
	}
	// Another message may lag behind this one: its own clock runs on.
	if got := f.datagram(2*ms, addrA, craft.frame(&common.MessageGlobalPositionInt{TimeBootMs: 1700, RelativeAlt: 3000})); has(got, interlock.FrameInput) != 1 {
		t.Errorf("another message with an older clock gave %+v", got)
	}
}

func TestRestartPassesAndForgets(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	f.datagram(0, addrA, craft.frame(attitude(60000, 0)), craft.frame(&common.MessageGlobalPositionInt{TimeBootMs: 60000}))
	craft.seq = 0
	got := f.datagram(500*ms, addrA, craft.frame(attitude(300, 0)), craft.frame(&common.MessageGlobalPositionInt{TimeBootMs: 290}))
	if has(got, interlock.FrameInput) != 2 {
		t.Fatalf("after a restart: %+v, want both frames", got)
	}
	if s, _ := value(got[:3], rules.CraftBootClock); s.Value != 0.3 {
		t.Errorf("boot clock %+v, want 0.3 s: the engine must see it run back", s)
	}
	if n := f.in.Counts().Links[0]; n.Restarts != 1 || n.Late != 0 || n.Repeated != 0 {
		t.Errorf("counts %+v", n)
	}
	// Exactly 1 s back is a restart.
	f.datagram(600*ms, addrA, craft.frame(attitude(5000, 0)))
	f.datagram(700*ms, addrA, craft.frame(attitude(4000, 0)))
	if n := f.in.Counts().Links[0]; n.Restarts != 2 {
		t.Errorf("%d restarts, want 2", n.Restarts)
	}
}

func TestMoreKindsThanTheClockTableHolds(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	for round := range 2 {
		for i := range 400 {
			name := string([]byte{'a' + byte(i/26), 'a' + byte(i%26)})
			got := f.datagram(time.Duration(round)*time.Second, addrA, craft.frame(&common.MessageNamedValueFloat{TimeBootMs: 9, Name: name}))
			if repeat := round == 1 && i < clockFull; (len(got) == 0) != repeat {
				t.Fatalf("round %d name %d gave %+v", round, i, got)
			}
		}
	}
}

func TestRadioFeedsItsOwnChannelsOnly(t *testing.T) {
	status := &common.MessageRadioStatus{Rssi: 200, Remrssi: 190, Rxerrors: 7}
	radio, craft := sender{system: 51, component: 68}, sender{system: 1, component: 1}
	f := feed(t, Config{Links: []LinkConfig{{}, {Stream: true}}})
	if got := f.datagram(0, addrA, radio.frame(status)); len(got) != 0 {
		t.Errorf("a radio before the craft gave %+v", got)
	}
	f.datagram(0, addrA, craft.frame(heartbeat()))
	if got := f.datagram(ms, addrB, radio.frame(status)); len(got) != 0 {
		t.Errorf("a radio at another address gave %+v", got)
	}
	want := map[rules.ChannelID]float64{rules.RadioRSSI: 200, rules.RadioRemoteRSSI: 190, rules.RadioErrors: 7}
	for _, s := range []*sender{&radio, &craft} {
		got := f.datagram(time.Second, addrA, s.frame(status))
		if len(got) != 3 || has(got, interlock.SampleInput) != 3 {
			t.Fatalf("the radio gave %+v, want three samples and no sign of life of the craft", got)
		}
		for _, in := range got {
			if want[in.Sample.Channel] != in.Sample.Value {
				t.Errorf("sample %+v", in.Sample)
			}
		}
	}
	// It goes on when the craft is gone.
	if got := f.datagram(time.Minute, addrA, radio.frame(status)); len(got) != 3 {
		t.Errorf("without the craft: %+v", got)
	}
	if got := f.datagram(time.Minute, addrA, craft.frame(heartbeat())); has(got, interlock.FrameInput) != 1 {
		t.Errorf("the craft came back: %+v", got)
	}
	if got := f.datagram(time.Minute, addrB, craft.frame(status)); clashes(got) != 1 || len(got) != 1 {
		t.Errorf("the craft's identity elsewhere gave %+v, want the clash", got)
	}
}

// Where the pad file names the craft's address, or a key told the craft's frames
// from others, a stranger is counted and trips nothing, whatever it sends. Two
// boot clocks behind the named address trip all the same: an address can be
// forged.
func TestPromise10_AStrangerEndsNoFlightWhereAddressOrKeyDecides(t *testing.T) {
	status := &common.MessageRadioStatus{Rssi: 200}
	for _, row := range []struct {
		name   string
		cfg    Config
		from   netip.AddrPort
		clash  bool // a frame without a boot clock is a second sender
		clocks bool // another boot clock is
	}{
		{"neither", Config{}, addrB, true, true},
		{"the address named, from another", Config{Links: []LinkConfig{{From: addrA}}}, addrB, false, false},
		{"the address named, from another port", Config{Links: []LinkConfig{{From: addrA}}}, addrC, false, false},
		{"the address named without a port, from another port", Config{Links: []LinkConfig{{From: netip.AddrPortFrom(addrA.Addr(), 0)}}}, addrC, false, true},
		{"a key, from another address", Config{Signed: true}, addrB, false, true},
		{"the address named, from there", Config{Links: []LinkConfig{{From: addrA}}}, addrA, false, true},
	} {
		f := feed(t, row.cfg)
		craft, stranger := sender{system: 1, component: 1}, sender{system: 1, component: 1, seq: 100}
		clock := uint32(600_000)
		send := func(i int, m ...message.Message) (said int) {
			at := 2*time.Second*time.Duration(i) + time.Second
			for _, m := range m {
				said += clashes(f.datagram(at, row.from, stranger.frame(m)))
			}
			got := f.datagram(at, addrA, craft.frame(attitude(clock+uint32(at/ms), 0)))
			if said += clashes(got); has(got, interlock.FrameInput) != 1 {
				t.Errorf("%s: the craft's own frame gave %+v", row.name, got)
			}
			return said
		}
		f.datagram(0, addrA, craft.frame(attitude(clock, 0)))
		if said := send(0, heartbeat(), status); (said > 0) != row.clash {
			t.Errorf("%s: a heartbeat was said to be a second sender %d times", row.name, said)
		}
		said := 0
		for i := range 4 {
			said += send(1+i, attitude(uint32(9000+i*2000), 0))
		}
		if (said > 0) != row.clocks {
			t.Errorf("%s: another boot clock was said to be a second sender %d times", row.name, said)
		}
		least := uint64(5)
		if row.cfg.Signed {
			least = 4 // who has the key is the craft, unless its boot clock is another's
		}
		if n := f.in.Counts().Links[0]; row.from != addrA && n.WrongAddress < least {
			t.Errorf("%s: counts %+v, want what the stranger sent", row.name, n)
		}
	}
}
