package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"

	"github.com/google/go-cmp/cmp"
	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
	"pgregory.net/rapid"

	"os"
)

var wall = time.Date(2026, 5, 30, 18, 4, 11, 123456789, time.UTC)

var errFault = errors.New("injected fault")

// memory is a file in memory that can be told to fail.
type memory struct {
	text   []byte
	synced int
	fails  func(op string) bool
	failed bool
	closed bool
}

func (m *memory) fail(op string) bool { return m.fails != nil && m.fails(op) }

func (m *memory) Write(p []byte) (int, error) {
	if m.failed || m.closed {
		panic("write on a file that was given up")
	}
	if m.fail("write") {
		m.failed = true
		n := len(p) * 2 / 3
		m.text = append(m.text, p[:n]...)
		return n, nil // the shortest of lies: a short write without an error
	}
	m.text = append(m.text, p...)
	return len(p), nil
}

func (m *memory) Sync() error {
	if m.fail("sync") {
		m.failed = true
		return errFault
	}
	m.synced = len(m.text)
	return nil
}

func (m *memory) Truncate(size int64) error {
	if m.fail("truncate") {
		return errFault
	}
	m.text = m.text[:size]
	return nil
}

func (m *memory) Close() error { m.closed = true; return nil }

var testStart = recorder.Start{Session: "2026-05-30T18-04-11Z-3f2a", Software: "0.1", Wall: wall}

type put struct {
	intake.Chunk
	comments []string
}

// sample is one chunk of every source and shape.
func sample() []put {
	craft, pad := netip.MustParseAddrPort("192.0.2.7:40131"), netip.MustParseAddrPort("192.0.2.1:40123")
	craft6, pad6 := netip.MustParseAddrPort("[2001:db8::7]:40131"), netip.MustParseAddrPort("[2001:db8::1]:40123")
	ms := time.Millisecond
	all := []put{
		{Chunk: intake.Chunk{At: 0, Source: intake.HostEvent, Bytes: []byte{6, 1, 0, 0, 0, 0, 0, 0}}},
		{Chunk: intake.Chunk{At: 1, Source: intake.Pins, Bytes: []byte{0x55}}},
		{Chunk: intake.Chunk{At: 10 * ms, Source: intake.Telemetry, From: craft, To: pad, Bytes: []byte("\xfe\x09datagram")}},
		{Chunk: intake.Chunk{At: 10*ms + 1, Source: intake.Telemetry, From: craft, To: pad, Bytes: []byte{}, Lost: 7}},
		{Chunk: intake.Chunk{At: 11 * ms, Source: intake.Telemetry, Link: 1, From: craft6, To: pad6, Bytes: []byte("sixth")}},
		{Chunk: intake.Chunk{At: 12 * ms, Source: intake.Telemetry, Link: 2, Bytes: []byte("stream")}},
		{Chunk: intake.Chunk{At: 13 * ms, Source: intake.Telemetry, From: craft, Bytes: []byte("to nobody knows")}},
		{Chunk: intake.Chunk{At: 14 * ms, Source: intake.Wind, Bytes: []byte{1, 2, 3}, Lost: 1}},
		{Chunk: intake.Chunk{At: 15 * ms, Source: intake.LoadCell, Bytes: []byte{4, 5, 6, 7}}, comments: []string{"trip 1: tether overload", "näch"}},
		{Chunk: intake.Chunk{At: 15 * ms, Source: intake.Decisions, Bytes: []byte(`{"kind":"trip"}`)}, comments: []string{strings.Repeat("long ", 300)}},
		{Chunk: intake.Chunk{At: 3 * time.Hour, Source: intake.Telemetry, From: craft, To: pad, Bytes: bytes.Repeat([]byte("x"), 65507)}},
		{Chunk: intake.Chunk{At: 3 * time.Hour, Source: intake.Telemetry, Link: 255, Bytes: []byte("last")}},
	}
	seq := uint64(0)
	for i := range all {
		if all[i].Source != intake.Decisions {
			seq++
			all[i].Seq = seq
		}
	}
	return all
}

// short is a small recording for tests that go through it byte by byte.
func short(t testing.TB) []byte {
	t.Helper()
	var kept []put
	for _, p := range sample() {
		if len(p.Bytes) < 100 && len(strings.Join(p.comments, "")) < 100 {
			kept = append(kept, p)
		}
	}
	return write(t, kept)
}

func write(t testing.TB, puts []put) []byte {
	t.Helper()
	m := &memory{}
	w, err := recorder.Create(m, testStart)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range puts {
		if err := w.Put(p.Chunk, p.comments...); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if m.synced != len(m.text) || !m.closed {
		t.Error("Close did not sync and close")
	}
	return m.text
}

// read reads all chunks with their comments.
func read(t testing.TB, r *Reader) ([]put, error) {
	t.Helper()
	var all []put
	for {
		c, err := r.Next()
		if err != nil {
			return all, err
		}
		c.Bytes = bytes.Clone(c.Bytes)
		all = append(all, put{*c, r.Comments()})
	}
}

var compare = cmp.Options{cmp.AllowUnexported(put{}), cmp.Comparer(func(a, b netip.AddrPort) bool { return a == b })}

func same(t testing.TB, got, want []put) {
	t.Helper()
	for i := range got {
		if len(got[i].Bytes) == 0 {
			got[i].Bytes = []byte{}
		}
	}
	if len(got) == 0 && len(want) == 0 {
		return
	}
	if d := cmp.Diff(want, got, compare); d != "" {
		t.Fatalf("read back (-want +got):\n%s", d)
	}
}

func TestRecording_ComesBackAsItWent(t *testing.T) {
	r, err := OpenReader(bytes.NewReader(write(t, sample())))
	if err != nil {
		t.Fatal(err)
	}
	got, err := read(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	same(t, got, sample())
	info := r.Info()
	if !info.Own || info.Form != PCAPNG || info.Session != testStart.Session || info.Software != "0.1" || info.Part != 1 ||
		!info.Start.Equal(wall) || info.Span != 3*time.Hour || info.Lost != 8 || info.Gaps != 0 || info.Chunks != 12 {
		t.Errorf("info %+v", info)
	}
	var names []string
	for _, f := range r.gate.ifaces {
		names = append(names, f.name)
	}
	if got := strings.Join(names, ", "); got != "wind, load cell, pins, host, decisions, telemetry 0, telemetry 1, telemetry 2, telemetry 255" {
		t.Errorf("interfaces %s", got)
	}
	if notes := info.Notes(); len(notes) != 1 || !strings.Contains(notes[0], "8 chunk(s) were lost") {
		t.Errorf("notes %q", notes)
	}
}

// TestRecording_AnyChunks is the same for whatever chunks there can be.
func TestRecording_AnyChunks(t *testing.T) {
	addr := rapid.Custom(func(t *rapid.T) netip.AddrPort {
		b := rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "address")
		a := netip.AddrFrom16([16]byte(b))
		if rapid.Bool().Draw(t, "4") {
			a = netip.AddrFrom4([4]byte(b[:4]))
		}
		return netip.AddrPortFrom(a, rapid.Uint16Min(1).Draw(t, "port"))
	})
	rapid.Check(t, func(t *rapid.T) {
		var puts []put
		at, seq := time.Duration(0), uint64(0)
		for range rapid.IntRange(0, 20).Draw(t, "count") {
			at += time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "step"))
			p := put{Chunk: intake.Chunk{At: at, Lost: rapid.Uint32().Draw(t, "lost"), Bytes: rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "bytes")}}
			p.Source = intake.Source(rapid.IntRange(1, 6).Draw(t, "source"))
			if p.Source != intake.Decisions {
				seq++
				p.Seq = seq
			}
			if p.Source == intake.Telemetry {
				p.Link = uint8(rapid.IntRange(0, 3).Draw(t, "link"))
				if rapid.Bool().Draw(t, "datagram") {
					p.From = addr.Draw(t, "from")
					p.To = addr.Filter(func(a netip.AddrPort) bool {
						return a.Addr().Is4() == p.From.Addr().Is4()
					}).Draw(t, "to")
				}
			}
			if n := rapid.IntRange(0, 3).Draw(t, "comments"); n > 0 {
				p.comments = rapid.SliceOfN(rapid.String(), n, n).Draw(t, "comment")
			}
			puts = append(puts, p)
		}
		m := &memory{}
		w, err := recorder.Create(m, testStart)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range puts {
			if err := w.Put(p.Chunk, p.comments...); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReader(bytes.NewReader(m.text))
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; ; i++ {
			c, err := r.Next()
			if errors.Is(err, io.EOF) && i == len(puts) {
				break
			}
			if err != nil {
				t.Fatalf("chunk %d of %d: %v", i, len(puts), err)
			}
			want := puts[i]
			if len(c.Bytes) == 0 {
				c.Bytes = want.Bytes[:0]
			}
			if d := cmp.Diff(want, put{*c, r.Comments()}, compare); d != "" {
				t.Fatalf("chunk %d (-want +got):\n%s", i, d)
			}
		}
	})
}

// TestRecording_SecondOpinion reads the file with the library alone: link types,
// times to the nanosecond, numbers, losses, comments, addresses, and every
// checksum (RFC 791, RFC 768, RFC 8200).
func TestRecording_SecondOpinion(t *testing.T) {
	ng, err := pcapgo.NewNgReader(bytes.NewReader(write(t, sample())), pcapgo.NgReaderOptions{WantMixedLinkType: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range sample() {
		data, ci, options, err := ng.ReadPacketDataWithOptions()
		if err != nil {
			t.Fatal(err)
		}
		if !ci.Timestamp.Equal(wall.Add(want.At)) || (options.PacketID != nil) != (want.Seq > 0) || want.Seq > 0 && *options.PacketID != want.Seq {
			t.Errorf("packet %d: time %v, options %+v", i, ci.Timestamp, options)
		}
		if (options.DropCount != nil) != (want.Lost > 0) || want.Lost > 0 && *options.DropCount != uint64(want.Lost) {
			t.Errorf("packet %d: drop count %v, want %d", i, options.DropCount, want.Lost)
		}
		if d := cmp.Diff(want.comments, options.Comments); d != "" {
			t.Errorf("packet %d: comments %s", i, d)
		}
		link := ci.AncillaryData[0].(layers.LinkType)
		if !want.From.IsValid() {
			if link != linkUser0 || !bytes.Equal(data, want.Bytes) {
				t.Errorf("packet %d: link type %d, % x", i, link, data)
			}
			continue
		}
		if link != layers.LinkTypeRaw {
			t.Errorf("packet %d: link type %d", i, link)
		}
		p := gopacket.NewPacket(data, layers.LinkTypeRaw, gopacket.Default)
		udp, _ := p.Layer(layers.LayerTypeUDP).(*layers.UDP)
		if err := udp.SetNetworkLayerForChecksum(p.NetworkLayer()); err != nil {
			t.Fatal(err)
		}
		if err, bad := p.VerifyChecksums(); err != nil || len(bad) > 0 {
			t.Errorf("packet %d: checksums %v %v", i, err, bad)
		}
		if udp == nil || !bytes.Equal(udp.Payload, want.Bytes) || p.ErrorLayer() != nil {
			t.Fatalf("packet %d: %v", i, p)
		}
		if got := fmt.Sprint(p.NetworkLayer().NetworkFlow().Src(), " ", udp.SrcPort.String()); !strings.HasPrefix(got, want.From.Addr().String()+" "+fmt.Sprint(want.From.Port())) {
			t.Errorf("packet %d: from %s, want %v", i, got, want.From)
		}
	}
	if _, _, err := ng.ReadPacketData(); !errors.Is(err, io.EOF) {
		t.Errorf("at the end: %v", err)
	}
}

func TestRecording_OpensWithACaptureTool(t *testing.T) {
	tool, err := exec.LookPath("capinfos")
	if err != nil {
		t.Skip("no capinfos on this machine")
	}
	name := filepath.Join(t.TempDir(), "r.pcapng")
	if err := os.WriteFile(name, write(t, sample()), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, "-c", name).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "12") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestPut_Refuses(t *testing.T) {
	w, err := recorder.Create(&memory{}, testStart)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []intake.Chunk{
		{Source: 0}, {Source: 7}, {Source: intake.Wind, Link: 1}, {Source: intake.Wind, At: -1},
		{Source: intake.Telemetry, From: netip.MustParseAddrPort("192.0.2.7:1"), Bytes: make([]byte, 65508)},
	} {
		if err := w.Put(c); err == nil {
			t.Errorf("chunk %+v was taken", c)
		}
	}
	if _, err := recorder.Create(&memory{}, recorder.Start{Wall: time.Date(1969, 1, 1, 0, 0, 0, 0, time.UTC)}); err == nil || !strings.Contains(err.Error(), "1970") {
		t.Errorf("a clock before 1970: %v", err)
	}
}

// TestWriter_EveryFailureAtEveryOperation: after whatever failure each file is
// read to a proper end, every chunk of a Flush that took it is there once, and a chunk
// that was refused is told by the numbering; one by one and three at a time.
func TestWriter_EveryFailureAtEveryOperation(t *testing.T) {
	for _, truncates := range []bool{true, false} {
		for length := range 8 {
			each := 1 + length/4*2
			length %= 4
			for at := 0; at < 24; at++ {
				ops := 0
				fails := func(op string) bool {
					if op == "truncate" {
						return !truncates
					}
					ops++
					return ops > at && ops <= at+1+length
				}
				var files []*memory
				next := func(int) (recorder.File, error) {
					if fails("create") {
						return nil, errFault
					}
					files = append(files, &memory{fails: fails})
					return files[len(files)-1], nil
				}
				first, _ := next(1)
				if first == nil {
					continue
				}
				start := testStart
				start.Next = next
				w, err := recorder.Create(first, start)
				if err != nil {
					continue // the guard does not start
				}
				var taken, waiting []put
				for i := range 12 {
					p := put{Chunk: intake.Chunk{At: time.Duration(i) * 600 * time.Millisecond, Seq: uint64(i + 1), Source: intake.Telemetry, Link: uint8(i % 2), Bytes: fmt.Append(nil, "chunk ", i)}}
					if w.Put(p.Chunk) == nil {
						waiting = append(waiting, p)
					}
					if i%each == each-1 {
						// What is lost of a batch is its end.
						lost := w.Lost()
						if w.Flush() == nil && w.Lost() != lost {
							t.Fatal("chunks were lost, and no error told it")
						}
						taken = append(taken, waiting[:len(waiting)-int(w.Lost()-lost)]...)
						waiting = nil
					}
					if i%3 == 2 {
						_ = w.Sync()
					}
				}
				if w.Lost() != uint64(12-len(taken)) {
					t.Errorf("lost %d, want %d", w.Lost(), 12-len(taken))
				}
				_ = w.Close()
				dir := t.TempDir()
				var names []string
				for i, f := range files {
					if len(f.text) == 0 {
						continue // made and given up at once
					}
					name := filepath.Join(dir, fmt.Sprint(i))
					if err := os.WriteFile(name, f.text, 0o644); err != nil {
						t.Fatal(err)
					}
					names = append(names, name)
					if truncates {
						endsInOrder(t, f.text)
					}
				}
				r, err := OpenParts(names)
				if err != nil {
					t.Fatalf("operations %d to %d failed: %v", at, at+length, err)
				}
				got, err := read(t, r)
				if !errors.Is(err, io.EOF) {
					var torn *Torn
					if !errors.As(err, &torn) {
						t.Fatalf("operations %d to %d failed: %v", at, at+length, err)
					}
				}
				_ = r.Close()
				same(t, got, taken)
				missing := uint64(0)
				if len(taken) > 0 {
					missing = taken[len(taken)-1].Seq - uint64(len(taken))
				}
				if info := r.Info(); info.Missing != missing {
					t.Errorf("operations %d to %d failed: %d missing told, want %d", at, at+length, info.Missing, missing)
				}
			}
		}
	}
}

// endsInOrder: a file that was given up holds whole blocks only.
func endsInOrder(t *testing.T, text []byte) {
	t.Helper()
	r, err := OpenReader(bytes.NewReader(text))
	if err == nil {
		_, err = read(t, r)
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("a file that was given up: %v", err)
	}
}

func BenchmarkPut(b *testing.B) {
	w, err := recorder.Create(&null{}, testStart)
	if err != nil {
		b.Fatal(err)
	}
	c := sample()[2].Chunk
	b.ReportAllocs()
	for b.Loop() {
		c.Seq++
		if err := w.Put(c); err != nil {
			b.Fatal(err)
		}
	}
}

type null struct{}

func (*null) Write(p []byte) (int, error) { return len(p), nil }
func (*null) Sync() error                 { return nil }
func (*null) Truncate(int64) error        { return nil }
func (*null) Close() error                { return nil }
