package guard

import (
	"bytes"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/hw"
	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// testFile reads one of this package's files with its marks filled in.
func testFile(t testing.TB, name string, fill ...string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return []byte(strings.NewReplacer(fill...).Replace(string(text)))
}

// testFiles are the files of a guard that keeps its records in dir.
func testFiles(t testing.TB, dir, envelope string) Files {
	t.Helper()
	return Files{
		Pad:      File{Name: "pad.toml", Text: testFile(t, "pad.toml", "@FOLDER@", dir)},
		Envelope: File{Name: "envelope.toml", Text: testFile(t, envelope)},
	}
}

var (
	craftFrom = netip.MustParseAddrPort("127.0.0.1:40124")
	guardPort = netip.MustParseAddrPort("127.0.0.1:40123")
)

// rig is a loop on a clock of the test's own, with a virtual board whose every
// write is put down in order beside what the loop hands to its keeper, and a
// modelled craft that stands on the pad.
type rig struct {
	t     testing.TB
	now   time.Duration
	pad   *pad.Pad
	env   *rules.Envelope
	board *spyBoard
	eng   *interlock.Engine
	loop  *Loop
	shot  snapshot
	craft *craftmodel.Craft
	mute  bool // the craft says nothing
	stage time.Duration

	did       []string // writes and keeps in order
	decisions []interlock.Effect
	chunks    []intake.Chunk
	keep      func(*Batch)
}

// spyBoard puts down each write and fails those it is told to.
type spyBoard struct {
	passed uint32 // lines that had another level for a moment
	high   uint32 // lines whose edge up the kernel tells
	noise  []int  // descriptors that always have something to read
	*virtual.Board
	rig                 *rig
	failRelay, failBeat error
	relays              int // writes to the relay line, failed ones too
	beats               []time.Duration
	levels              func() (uint32, error)
	slow                time.Duration            // what one reading of the lines takes
	hold                map[string]time.Duration // for how long a write of that line does not come back
}

type spyOutput struct {
	name string
	to   hw.Output
	b    *spyBoard
}

func (o spyOutput) Set(on bool) error {
	o.b.rig.did = append(o.b.rig.did, o.name+map[bool]string{true: " on", false: " off"}[on])
	o.b.rig.now += o.b.hold[o.name]
	switch o.name {
	case "relay":
		o.b.relays++
		if o.b.failRelay != nil {
			return o.b.failRelay
		}
	case "heartbeat":
		if o.b.failBeat != nil {
			return o.b.failBeat
		}
		o.b.beats = append(o.b.beats, o.b.rig.now)
	}
	return o.to.Set(on)
}

func (b *spyBoard) Relay() hw.Output     { return spyOutput{"relay", b.Board.Relay(), b} }
func (b *spyBoard) Heartbeat() hw.Output { return spyOutput{"heartbeat", b.Board.Heartbeat(), b} }
func (b *spyBoard) Buzzer() hw.Output    { return spyOutput{"buzzer", b.Board.Buzzer(), b} }
func (b *spyBoard) Lamp() hw.Output      { return spyOutput{"lamp", b.Board.Lamp(), b} }

func (b *spyBoard) Levels() (uint32, error) {
	defer func() { b.rig.now += b.slow }() // the levels are those of before
	if b.levels != nil {
		return b.levels()
	}
	return b.Board.Levels()
}

func (b *spyBoard) Waits() []int { return b.noise }

func (b *spyBoard) Passed() (low, high uint32) {
	low, high = b.passed, b.passed|b.high
	b.passed, b.high = 0, 0
	return low, high
}

func newRig(t testing.TB, change ...func(*interlock.Site)) *rig {
	t.Helper()
	r := &rig{t: t, shot: newSnapshot()}
	padFile, faults := pad.Read("pad.toml", testFile(t, "pad.toml", "@FOLDER@", t.TempDir()))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	r.pad = padFile
	if r.env, faults = rules.ReadEnvelope("envelope.toml", testFile(t, "tilt.toml")); len(faults) > 0 {
		t.Fatal(faults)
	}
	clock := func() time.Duration { return r.now }
	board := benchboard.Config(padFile, clock)
	board.Socket = ""
	made, err := virtual.Open(board)
	must(t, err)
	t.Cleanup(func() { made.Close() })
	r.board = &spyBoard{Board: made, rig: r}
	site := padFile.Site()
	for _, c := range change {
		c(&site)
	}
	r.eng, err = interlock.New(r.env, site)
	must(t, err)
	cfg := padFile.Intake()
	wanted := r.eng.Wanted()
	cfg.Fields.Wanted = &wanted
	in, err := intake.New(cfg)
	must(t, err)
	r.loop, err = NewLoop(LoopConfig{
		Whose:  func(*intake.Chunk) Whose { return Craft },
		Engine: r.eng, Intake: in, Board: r.board, Pins: true, LongestGap: padFile.LongestGap, Clock: clock,
		Keep: func(b *Batch) {
			r.did = append(r.did, "keep")
			r.decisions = append(r.decisions, b.Decisions...)
			c := b.Chunk
			c.Bytes = bytes.Clone(c.Bytes)
			if c.Seq != 0 {
				r.chunks = append(r.chunks, c)
			}
			if r.keep != nil {
				r.keep(b)
			}
		},
		Show: func(l *Loop) { r.shot.draw(l); r.shot.give() },
	})
	must(t, err)
	craft := craftmodel.EightTwo()
	craft.Unpowered, craft.Turbulence = true, 0
	r.craft, err = craftmodel.New(craft)
	must(t, err)
	return r
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// run lets d pass: the craft every 5 ms, the loop whenever it asks for it.
func (r *rig) run(d time.Duration) {
	r.t.Helper()
	wake := r.now
	for end := r.now + d; r.now < end; {
		next := min(max(wake, r.now), max(r.stage, r.now), end)
		r.now = next
		if r.now >= r.stage {
			r.stage = r.now + 5*ms
			r.air()
		}
		wake = r.loop.Turn(r.now)
		if wake <= r.now {
			wake = r.now + time.Microsecond
		}
	}
}

// air brings the craft to now and hands over what it said.
func (r *rig) air() {
	r.craft.SetPower(r.board.PowerOn())
	r.craft.Advance(r.now)
	for _, f := range r.craft.Frames(nil) {
		if !r.mute {
			r.say(f.Bytes)
		}
	}
}

func (r *rig) say(b []byte) {
	r.loop.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: b})
}

// untilBeat lets time pass in millisecond turns up to the first instant at
// which an edge is due, and does not turn the loop there.
func (r *rig) untilBeat() {
	for r.now < r.loop.beatAt+beatEvery-ms {
		r.now += ms
		r.air()
		r.loop.Turn(r.now)
	}
	r.now = r.loop.beatAt + beatEvery
	r.air()
}

// press works a button as a hand does.
func (r *rig) press(name string) {
	r.t.Helper()
	must(r.t, r.board.Press(name))
	r.run(300 * ms)
	must(r.t, r.board.Release(name))
	r.run(100 * ms)
}

func (r *rig) state() interlock.State {
	var v interlock.View
	r.eng.View(&v)
	return v.State
}

func (r *rig) want(state interlock.State) {
	r.t.Helper()
	if got := r.state(); got != state {
		r.t.Fatalf("at %v the guard is %v, want %v: %v", r.now, got, state, r.unmet())
	}
}

// wantOpen wants a latched opening.
func (r *rig) wantOpen() {
	r.t.Helper()
	if s := r.state(); s != interlock.Tripped && s != interlock.Fault {
		r.t.Fatalf("at %v the guard is %v, want tripped or fault", r.now, s)
	}
}

// unmet is what stands against a start, in the words of the status.
func (r *rig) unmet() (why []string) {
	var v interlock.View
	r.eng.View(&v)
	for _, u := range v.Unmet {
		why = append(why, v.Say(r.env, u))
	}
	return why
}

// ready brings the rig to ready, live to live with the craft on the ground.
func (r *rig) ready() {
	r.t.Helper()
	r.run(11 * time.Second)
	r.press("reset")
	r.run(100 * ms)
	r.want(interlock.Ready)
}

func (r *rig) live() {
	r.t.Helper()
	r.ready()
	r.press("start")
	r.run(4 * time.Second)
	r.want(interlock.Live)
	if !r.board.PowerOn() {
		r.t.Fatal("live without power at the rotors")
	}
}

// forget begins a new page.
func (r *rig) forget() { r.did, r.decisions, r.chunks, r.board.beats = nil, nil, nil, nil }

// trips are the reasons of the trips since the last forget.
func (r *rig) trips() (out []interlock.Reason) {
	for _, f := range r.decisions {
		if f.Kind == interlock.TripEffect {
			out = append(out, f.Reason)
		}
	}
	return out
}

var messageTables sync.Map // of *message.ReadWriter by message id

// encode puts one message of the craft on the wire with the library's own
// writer.
func encode(t testing.TB, seq byte, m message.Message) []byte {
	t.Helper()
	return encodeAs(t, 1, 1, seq, m)
}

// encodeAs is encode for any sender.
func encodeAs(t testing.TB, system, component, seq byte, m message.Message) []byte {
	t.Helper()
	found, ok := messageTables.Load(m.GetID())
	if !ok {
		fresh := &message.ReadWriter{Message: m}
		must(t, fresh.Initialize())
		found, _ = messageTables.LoadOrStore(m.GetID(), fresh)
	}
	table := found.(*message.ReadWriter)
	raw := table.Write(m, true)
	f := &frame.V2Frame{SequenceNumber: seq, SystemID: system, ComponentID: component, Message: raw}
	f.Checksum = f.GenerateChecksum(table.CRCExtra())
	var buf bytes.Buffer
	w := &frame.Writer{ByteWriter: &buf}
	must(t, w.Initialize(), w.Write(f))
	return buf.Bytes()
}

// bank is an attitude of the craft at now, rolled by so many radians.
func (r *rig) bank(roll float32) []byte {
	boot := uint32((craftmodel.EightTwo().Uptime+r.now)/ms) + 1
	return encode(r.t, 0, &common.MessageAttitude{TimeBootMs: boot, Roll: roll})
}

func contains(text, part string) bool { return strings.Contains(text, part) }
