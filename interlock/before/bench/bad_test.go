package bench

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recording"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/streamwriter"
)

// sent is one datagram of a modelled craft.
type sent struct {
	at    time.Duration
	bytes []byte
}

func modelled(t *testing.T, seconds int) []sent {
	t.Helper()
	c, err := craftmodel.New(craftmodel.EightTwo())
	if err != nil {
		t.Fatal(err)
	}
	var out []sent
	var d []craftmodel.Datagram
	for now := time.Duration(0); now < time.Duration(seconds)*time.Second; now += 20 * time.Millisecond {
		c.Advance(now)
		for _, f := range c.Frames(d[:0]) {
			out = append(out, sent{f.At, bytes.Clone(f.Bytes)})
		}
	}
	return out
}

// capture is a pcap of link type raw IP (101) with one UDP datagram to port
// 40123 for each; written by hand after draft-ietf-opsawg-pcap.
func capture(all []sent) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32(nil, 0xA1B23C4D)
	b = le.AppendUint32(b, 2|4<<16)
	b = le.AppendUint32(le.AppendUint32(b, 0), 0)
	b = le.AppendUint32(le.AppendUint32(b, 65535), 101)
	for _, s := range all {
		ns := 1_900_000_000*int64(time.Second) + int64(s.at)
		size := 28 + len(s.bytes)
		b = le.AppendUint32(le.AppendUint32(b, uint32(ns/1e9)), uint32(ns%1e9))
		b = le.AppendUint32(le.AppendUint32(b, uint32(size)), uint32(size))
		ip := []byte{0x45, 0, byte(size >> 8), byte(size), 0, 0, 0, 0, 64, 17, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2}
		udp := []byte{0x36, 0xB1, 0x9C, 0xBB, byte((8 + len(s.bytes)) >> 8), byte(8 + len(s.bytes)), 0, 0}
		b = append(append(append(b, ip...), udp...), s.bytes...)
	}
	return b
}

// Whatever is wrong with a recording: it is said what, and where, and what could
// be read is used.
func TestEveryFaultOfARecordingIsSaid(t *testing.T) {
	all := modelled(t, 20)
	raw := func(all []sent) (b []byte) {
		for _, s := range all {
			b = append(b, s.bytes...)
		}
		return b
	}
	change := func(f func(i int, s sent) sent) []sent {
		out := make([]sent, len(all))
		for i, s := range all {
			out[i] = f(i, s)
		}
		return out
	}
	kept, err := os.ReadFile(filepath.Join("testdata", "kept.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytes.Clone(kept)
	// The total length in front of a block in the middle: past any block.
	at := blockAt(t, kept, len(kept)/2)
	binary.LittleEndian.PutUint32(damaged[at+4:], 0x7FFFFFF0)

	for _, row := range []struct {
		name   string
		bytes  []byte
		least  float64 // share of the whole recording's frames that is used
		want   []string
		refuse bool
	}{
		{name: "cut pcap", bytes: capture(all)[:len(capture(all))/2], least: 0.4, want: []string{"torn at byte "}},
		{name: "damaged pcapng", bytes: damaged, least: 0.3, want: []string{fmt.Sprintf("damaged at byte %d", at)}},
		{name: "zeros at the end", bytes: append(bytes.Clone(kept), make([]byte, 4096)...), least: 0.9, want: []string{"torn at byte"}},
		{name: "clock set back", bytes: capture(change(func(i int, s sent) sent {
			if i > len(all)/2 {
				s.at -= 2 * time.Hour
			}
			return s
		})), least: 0.99, want: []string{"set back by 1h59m59.9", "packet "}},
		{name: "clock set ahead by half a minute", bytes: capture(change(func(i int, s sent) sent {
			if s.at > 10*time.Second {
				s.at += 30 * time.Second
			}
			return s
		})), least: 0.99, want: []string{"the recording's clock moves on by 30.", "the craft's own by only 0."}},
		{name: "clock set ahead by a day", bytes: capture(change(func(i int, s sent) sent {
			if i > len(all)/2 {
				s.at += 24 * time.Hour
			}
			return s
		})), least: 0.99, want: []string{"goes ahead by 24h0m0", "a silence of 1h0m0s"}},
		{name: "one packet of another year", bytes: capture(change(func(i int, s sent) sent {
			if i == len(all)/2 {
				s.at += 9000 * time.Hour
			}
			return s
		})), least: 0.99, want: []string{"1 time(s) ran back, or stood far from their neighbours'"}},
		{name: "craft restarts", bytes: raw(append(all[len(all)/2:len(all):len(all)], all[:len(all)/2]...)), least: 0.99, want: []string{"began anew at "}},
		{name: "noise between", bytes: bytes.Join([][]byte{raw(all[:400]), bytes.Repeat([]byte{0xFD, 9, 0x55}, 999), raw(all[400:])}, nil), least: 0.99, want: []string{"2997 bad bytes"}},
		{name: "no heartbeat", bytes: raw(all)[:60], refuse: true, want: []string{"HEARTBEAT"}},
		{name: "gzip", bytes: []byte("\x1f\x8b\x08\x00abc"), refuse: true, want: []string{"gunzip"}},
	} {
		path := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(path, row.bytes, 0o644); err != nil {
			t.Fatal(err)
		}
		env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstale_after = \"2 s\"\nstop = \"immediate\"\n")
		setup, _, err := Watching([]string{path}, env, nil)
		if row.refuse {
			if err == nil || !strings.Contains(err.Error(), row.want[0]) {
				t.Errorf("%s: %v, want it to say %q", row.name, err, row.want[0])
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		rec, err := recording.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Replay(path, rec, setup)
		_ = rec.Close()
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		said := strings.Join(append(r.Notes, fmt.Sprintf("%d bad bytes", r.BadBytes)), "\n")
		for _, want := range row.want {
			if !strings.Contains(said, want) {
				t.Errorf("%s: it does not say %q but\n%s", row.name, want, said)
			}
		}
		whole := float64(len(all))
		if strings.Contains(row.name, "pcapng") || strings.Contains(row.name, "zeros") {
			whole = 1900 // of the kept recording, about
		}
		if float64(r.Frames+r.Ignored) < row.least*whole {
			t.Errorf("%s: only %d frames used and %d ignored of %.0f", row.name, r.Frames, r.Ignored, whole)
		}
		silent := false
		for _, e := range r.Stops() {
			silent = silent || e.Rule == "tilt" && e.Value == nil
		}
		if ahead := strings.Contains(row.name, "ahead"); silent != ahead {
			t.Errorf("%s: tripped by silence %v, want %v", row.name, silent, ahead)
		}
	}
}

// blockAt is where the first block at or behind from begins.
func blockAt(t *testing.T, b []byte, from int) int {
	t.Helper()
	for at := 0; at+12 <= len(b); at += int(binary.LittleEndian.Uint32(b[at+4:])) {
		if at >= from {
			return at
		}
	}
	t.Fatal("no block there")
	return 0
}

// A craft that the pad names and the recording does not hold is said, with who
// was heard instead.
func TestNothingOfTheCraftIsSaid(t *testing.T) {
	path := filepath.Join(t.TempDir(), "seven.bin")
	if err := os.WriteFile(path, modelBytes(t, 7, 400), 0o644); err != nil {
		t.Fatal(err)
	}
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n")
	r := replayFile(t, path, env, throwPad(t)) // its craft is 1.1
	if r.Frames != 0 || !strings.Contains(strings.Join(r.Notes, "\n"), "not one frame of the craft 1.1") {
		t.Errorf("%d frames, notes %q", r.Frames, r.Notes)
	}
	if len(r.IgnoredWhy) != 1 || r.IgnoredWhy[0].Count != 400 || !strings.Contains(r.IgnoredWhy[0].What, "7.1") {
		t.Errorf("ignored: %+v", r.IgnoredWhy)
	}
}

// rocking is an endless craft that rocks from side to side five times a second,
// told in raw bytes, for as long as it is read.
type rocking struct {
	left   int
	n      int
	buffer bytes.Buffer
	w      *streamwriter.Writer
}

func newRocking(t *testing.T, samples int) *rocking {
	t.Helper()
	r := &rocking{left: samples}
	table := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := table.Initialize(); err != nil {
		t.Fatal(err)
	}
	frames := &frame.Writer{ByteWriter: &r.buffer, DialectRW: table}
	if err := frames.Initialize(); err != nil {
		t.Fatal(err)
	}
	r.w = &streamwriter.Writer{FrameWriter: frames, Version: streamwriter.V2, SystemID: 1}
	if err := r.w.Initialize(); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *rocking) Read(p []byte) (int, error) {
	for r.buffer.Len() < len(p) && r.left > 0 {
		if r.n%25 == 0 {
			_ = r.w.Write(&common.MessageHeartbeat{Type: 2, Autopilot: 3, BaseMode: 0x80, MavlinkVersion: 3})
		}
		_ = r.w.Write(&common.MessageAttitude{TimeBootMs: uint32(r.n * 200), Roll: float32(0.8 * math.Sin(float64(r.n))), Pitch: float32(0.01 * math.Cos(float64(r.n)))})
		r.n++
		r.left--
	}
	if r.buffer.Len() == 0 {
		return 0, io.EOF
	}
	return r.buffer.Read(p)
}

// Ten hours of a craft that trips all the time are replayed, and swept, in far
// less than 100 MB, and what is not listed is counted.
func TestTenHoursNeedLittleMemory(t *testing.T) {
	const samples = 10 * 3600 * 5
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"30 deg\"\ncaution = \"10 deg\"\nstale_after = \"2 s\"\nstop = \"immediate\"\n")
	open := func() (*recording.Reader, Setup) {
		setup, _, err := Watching([]string{filepath.Join("testdata", "kept.pcapng")}, env, nil)
		if err != nil {
			t.Fatal(err)
		}
		setup.Intake.Links[0].Stream = true
		rec, err := recording.OpenReader(newRocking(t, samples))
		if err != nil {
			t.Fatal(err)
		}
		return rec, setup
	}
	var most, before uint64
	ticks := 0
	tick := Ticking(func() error {
		if ticks++; ticks%8 == 0 {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
		}
		return nil
	})
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	before = m.HeapAlloc
	rec, setup := open()
	r, err := Replay("rocking", rec, setup, tick, Tracing(NewTrace(env)))
	if err != nil {
		t.Fatal(err)
	}
	if r.DurationS < 35_990 || r.Frames < samples || len(r.Trips) != mostEvents || r.TripsUnlisted < 10_000 || ticks < 20 {
		t.Errorf("%.0f s, %d frames, %d trips and %d more, looked %d times", r.DurationS, r.Frames, len(r.Trips), r.TripsUnlisted, ticks)
	}
	rec, setup = open()
	s := sweepOf(t, env, "tilt", TurnLimit, "44 deg", "60 deg", 5)
	run, err := s.Run("rocking", rec, setup, tick)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(run.steps[0].trips); n < 1000 {
		t.Errorf("%d trips at 44 degrees", n)
	}
	if used := most - before; used > 100<<20 {
		t.Errorf("%d MB in use at the most, want under 100", used>>20)
	} else {
		t.Logf("%.1f MB in use at the most", float64(used)/1e6)
	}
}
