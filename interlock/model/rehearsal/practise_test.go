package rehearsal

import (
	"errors"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/rehearsed"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
)

// A start at a real board with a modelled craft: all of it is marked, its sessions lie
// apart and count for nothing, and the contactor's opening is one of the pad's.
func TestARehearsalOnARealBoardCountsItsOpeningsAndNothingElse(t *testing.T) {
	t.Parallel()
	b := practise(t, Calm)
	if _, holds := b.items(); !strings.Contains(holds, "has no end on record") {
		t.Errorf("under way it does not hold starts back: %s", holds)
	}
	b.live()
	b.tap("estop")
	b.until("power off", func() bool { return !b.real.PowerOn() })
	time.Sleep(300 * time.Millisecond)
	b.end()
	items, holds := b.items()
	if b.err != nil || b.faults != 0 || b.openings == 0 || holds != "" || len(items) != 1 || !strings.Contains(items[0].Done, "openings of the contactor: ") {
		t.Errorf("%v; %d faults, %d openings; %s; %+v", b.err, b.faults, b.openings, holds, items)
	}
	of, n := b.stops()
	if n != b.openings || len(of) != 1 || of[0].Model || of[0].Craft != stopping.NoCraft {
		t.Errorf("%d openings counted for %+v, and there were %d", n, of, b.openings)
	}
	if sessions, broken, err := session.Earlier(b.logs, ""); len(sessions)+len(broken) > 0 || err != nil {
		t.Errorf("the pad has %d sessions of it, %v, %v", len(sessions), broken, err)
	}
	s, err := session.Open(b.r.Session)
	if err != nil || s.Info.Mark != "real board, modelled craft, a rehearsal" || !strings.HasPrefix(b.r.Session, b.on.Dir) {
		t.Errorf("session %s is marked %q, %v", b.r.Session, s.Info.Mark, err)
	}
	if why := b.liveStart(); strings.Contains(why, "rehearsal") || strings.Contains(why, "fault") {
		t.Errorf("the next start is held back: %s", why)
	}
}

// A real fault of the chain in a rehearsal is the pad's, at once, and the next live start
// is held back for the tests that it calls for.
func TestARealFaultInARehearsalHoldsTheNextStartBack(t *testing.T) {
	t.Parallel()
	b := practise(t, Calm)
	b.live()
	b.do(b.real.Break("weld"), b.real.Press("estop"))
	b.in("FAULT")
	b.until("in the ledger", func() bool { _, holds := b.items(); return strings.Contains(holds, "power was not removed") })
	time.Sleep(300 * time.Millisecond)
	b.end()
	_, holds := b.items()
	if b.faults == 0 || !strings.Contains(holds, "--only chain --only rotors") || strings.Contains(holds, "no end on record") {
		t.Errorf("%v; %d faults; %s", b.err, b.faults, holds)
	}
	// The craft's own stop is measured anew, as behind a real one.
	if of, _ := b.stops(); !slices.ContainsFunc(of, func(o stopping.Of) bool { return o.Craft == "made up" && !o.Model }) {
		t.Errorf("the weld voids no stop: %+v", of)
	}
	if why := b.liveStart(); !strings.Contains(why, "power was not removed") {
		t.Errorf("the next start is not held back: %s", why)
	}
}

// Killed before it wrote its end, its openings and its fault: the next start is held back,
// and what its session holds is read into the ledger by whoever looks.
func TestAKilledRehearsalHoldsTheNextStartBack(t *testing.T) {
	t.Parallel()
	b := practise(t, Calm)
	b.live()
	b.do(b.real.Break("weld"), b.real.Press("estop"))
	b.in("FAULT")
	time.Sleep(300 * time.Millisecond)
	b.end()
	// As the disk is when it is killed before it wrote them.
	for _, pattern := range []string{"ledger/000[2-9]*", "rehearsals/0002*", "stop/*"} {
		names, err := filepath.Glob(filepath.Join(b.logs, pattern))
		b.do(err)
		for _, name := range names {
			b.do(os.Remove(name))
		}
	}
	if why := b.liveStart(); !strings.Contains(why, "has no end on record") {
		t.Errorf("the next start is not held back: %s", why)
	}
	book, err := ledger.Read(b.logs, "test")
	b.do(err)
	for range 2 { // reading it again changes nothing
		b.do(rehearsed.Settle(b.logs, book, time.Now()))
	}
	_, holds := b.items()
	if _, n := b.stops(); !strings.Contains(holds, "power was not removed") || strings.Contains(holds, "no end on record") || n != b.openings {
		t.Errorf("%d openings, there were %d; %s", n, b.openings, holds)
	}
	if why := b.liveStart(); !strings.Contains(why, "power was not removed") {
		t.Errorf("the next start is not held back: %s", why)
	}
}

// frames are what the modelled craft sends in its first seconds.
func frames(t *testing.T) [][]byte {
	t.Helper()
	c, err := craftmodel.New(craftmodel.EightTwo())
	if err != nil {
		t.Fatal(err)
	}
	c.Advance(2 * time.Second)
	var out [][]byte
	for _, d := range c.Frames(nil) {
		out = append(out, d.Bytes)
	}
	return out
}

// The real craft is heard while power is on: the relay opens, and that is the end. That
// the contactor then did not close, or opened, is no fault of the chain.
func TestARealCraftEndsTheRehearsal(t *testing.T) {
	t.Parallel()
	b := practise(t, Calm)
	b.live()
	for _, f := range frames(t) {
		_, err := b.heard.Write(f)
		b.do(err)
	}
	<-b.done
	if b.real.PowerOn() || b.pins.powerOn() {
		t.Error("power is on behind the end")
	}
	items, holds := b.items()
	if !errors.Is(b.pins.Why(), errAlive) || b.err != nil || b.faults != 0 || holds != "" || !strings.Contains(items[0].Done, "the real craft has power") {
		t.Errorf("%v, %v; %d faults; %s; %+v", b.pins.Why(), b.err, b.faults, holds, items)
	}
	text, err := os.ReadFile(filepath.Join(b.r.Session, "trips.jsonl"))
	if err != nil || !strings.Contains(string(text), "the rehearsal was ended: the real craft has power") {
		t.Errorf("its log does not say so: %v\n%s", err, text)
	}
}

// A cut waits for no guard: it writes the pin, and from then on nothing closes the chain.
func TestACutOpensTheRelayByItself(t *testing.T) {
	t.Parallel()
	real, err := virtual.Open(virtual.Config{Inputs: []string{"estop_a"}, Now: func() time.Duration { return 0 }})
	if err != nil {
		t.Fatal(err)
	}
	checked, faults := usual.files().Check()
	if faults.Err() != nil {
		t.Fatal(faults)
	}
	pins, err := NewPins(checked.Pad, real, func() time.Duration { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	relay := func() bool {
		s, err := real.Show()
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(s.Outputs, func(o virtual.OutputState) bool { return o.Name == "relay" && o.On })
	}
	if err := pins.Relay().Set(true); err != nil || !relay() {
		t.Fatal("the relay is not on", err)
	}
	pins.Cut(errAlive)
	pins.Cut(errors.New("another reason"))
	if relay() || !errors.Is(pins.Why(), errAlive) {
		t.Errorf("the relay is on, or it was %v", pins.Why())
	}
	if err := errors.Join(pins.Relay().Set(false), pins.Buzzer().Set(true), pins.Inert()); err != nil {
		t.Errorf("opening it, or the horn, is refused: %v", err)
	}
	for name, err := range map[string]error{"relay": pins.Relay().Set(true), "heartbeat on": pins.Heartbeat().Set(true), "heartbeat off": pins.Heartbeat().Set(false)} {
		if !errors.Is(err, errAlive) || relay() {
			t.Errorf("%s is written behind the cut: %v", name, err)
		}
	}
}

// Each sign of power in the craft counts by itself, from whatever identity; what a ground
// station and a radio say does not.
func TestWhatIsASignOfPower(t *testing.T) {
	t.Parallel()
	p, faults := pad.Read("pad.toml", []byte(strings.ReplaceAll(string(usual.files().Pad.Text), "version = 1\n", "version = 1\nlog_folder = \"/x\"\n")))
	if faults.Err() != nil {
		t.Fatal(faults)
	}
	by := map[byte]string{}
	for _, stream := range []bool{false, true} {
		for _, f := range frames(t) {
			e := newEar(p, !stream)
			if what := e.hears(f); what != "" {
				by[f[7]] = what
			}
		}
	}
	// Of the common message set: HEARTBEAT, SYS_STATUS, BATTERY_STATUS.
	for id, want := range map[byte]string{0: "heartbeat", 1: "supply", 147: "pack"} {
		if !strings.Contains(by[id], want) {
			t.Errorf("message %d is heard as %q, want %q", id, by[id], want)
		}
	}
	if by[30] != "" || by[33] != "" {
		t.Errorf("attitude or position is a sign of power: %q", by)
	}
	// A heartbeat of a ground station: system 255, type 6, autopilot 8 (invalid).
	if what := newEar(p, true).hears(heartbeat(255, 6, 8)); what != "" {
		t.Errorf("a ground station is heard as %q", what)
	}
	if what := newEar(p, true).hears(heartbeat(77, 2, 3)); what == "" {
		t.Error("another autopilot's heartbeat is not heard")
	}
}

// heartbeat is a HEARTBEAT frame of MAVLink 1, whose seed is 50.
func heartbeat(system, kind, autopilot byte) []byte {
	b := []byte{0xFE, 9, 0, system, 1, 0, 0, 0, 0, 0, kind, autopilot, 0, 4, 3}
	crc := uint16(0xFFFF)
	for _, v := range append(slices.Clone(b[1:]), 50) {
		x := v ^ byte(crc)
		x ^= x << 4
		crc = crc>>8 ^ uint16(x)<<8 ^ uint16(x)<<3 ^ uint16(x)>>4
	}
	return append(b, byte(crc), byte(crc>>8))
}

// The rotors of the model go on behind an open contactor: POWER NOT REMOVED is practised,
// and is no fault of the real chain.
func TestAModelledFaultIsNotTheRealChains(t *testing.T) {
	t.Parallel()
	b := practise(t, "from hover\nat 1 s pad reach lets go late by 30 s\nat 2 s fault runaway\nat 40 s end\n")
	b.live()
	b.until("stopped", func() bool { return !b.real.PowerOn() })
	b.in("FAULT")
	time.Sleep(300 * time.Millisecond)
	b.end()
	if _, holds := b.items(); b.err != nil || b.faults != 0 || holds != "" {
		t.Errorf("%v; %d faults; %s", b.err, b.faults, holds)
	}
}

// No fault is put into real pins, and what hands do is left to hands; the craft's own
// mishaps and those of modelled sensors can be played.
func TestNoFaultIsPutIntoRealPins(t *testing.T) {
	t.Parallel()
	s, err := Prepare(usual.files(), "", t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	refused := []string{"contactor-dead", "contactor-slow", "contactor-welded", "disk-full", "gate-at-the-start", "gate-in-the-hover", "guard-killed", "guard-paused", "hold-let-go", "stop-in-the-climb"}
	for _, name := range Names() {
		scenario, err := s.Shipped(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := CanPlay(name, scenario, true); (err != nil) != slices.Contains(refused, name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// The packaged guard has no board for a rehearsal's pad file, and the bench's refuses it.
func TestOnlyARehearsalRunsItsPadFile(t *testing.T) {
	t.Parallel()
	s, err := Prepare(usual.files(), "", t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	own, err := s.OnPins(dir, netip.MustParseAddrPort("127.0.0.1:40125"), &Pins{})
	if err != nil {
		t.Fatal(err)
	}
	for name, virtual := range map[string]guard.OpenVirtual{"downhauld": nil, "downhauld-bench": benchboard.Open} {
		if _, err := guard.Open(own.Files, guard.Options{Virtual: virtual, Software: "test", Room: 1}); err == nil || !strings.Contains(err.Error(), "copy of a rehearsal") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := (&Pins{}).Open(s.Checked.Pad, nil); err == nil {
		t.Error("real pins were opened for another pad file")
	}
}

// A link that can be listened to no longer ends it: a craft that gets power would not be
// noticed.
func TestALinkThatIsLostEndsTheRehearsal(t *testing.T) {
	t.Parallel()
	server, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(usual.files().Pad.Text), "kind = \"serial\"\ndevice = \"/dev/serial/by-id/radio\"\nbaud = 57600\n", "kind = \"tcp\"\naddress = \""+server.Addr().String()+"\"\n")
	p, faults := pad.Read("pad.toml", []byte(strings.ReplaceAll(text, "version = 1\n", "version = 1\nlog_folder = \"/x\"\n")))
	if faults.Err() != nil {
		t.Fatal(faults)
	}
	heard := make(chan error, 10)
	wait, err := Overhear(t.Context(), p, func(err error) { heard <- err })
	if err != nil {
		t.Fatal(err)
	}
	defer wait()
	c, err := server.Accept()
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Close(), server.Close()); err != nil {
		t.Fatal(err)
	}
	if err := <-heard; errors.Is(err, errAlive) || !strings.Contains(err.Error(), "cannot be listened to") {
		t.Errorf("told: %v", err)
	}
}
