package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"
)

// starts are the offsets of the blocks of a little-endian pcapng.
func starts(t testing.TB, text []byte) map[int]bool {
	t.Helper()
	at := map[int]bool{}
	for off := 0; off < len(text); {
		at[off] = true
		off += int(binary.LittleEndian.Uint32(text[off+4:]))
	}
	return at
}

// TestRead_EveryCut cuts our own recording at every byte: what was whole is
// read, a cut between blocks is a plain end, any other is torn at the start of
// the block that was not finished. Zeros behind the cut change nothing.
func TestRead_EveryCut(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	text := short(t)
	at := starts(t, text)
	whole, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, _ := read(t, whole)
	header := int(binary.LittleEndian.Uint32(text[4:]))
	last := 0
	for cut := 1; cut < len(text); cut++ {
		if at[cut] {
			last = cut
		}
		for _, zeros := range []int{0, 3, 64, 5000} {
			if at[cut] && zeros > 0 && zeros < 12 && cut < header {
				continue
			}
			r, err := OpenReader(bytes.NewReader(append(bytes.Clone(text[:cut]), make([]byte, zeros)...)))
			if err != nil {
				if cut >= header {
					t.Fatalf("cut at %d, %d zeros: %v", cut, zeros, err)
				}
				continue // nothing of it is there; the message is looked at elsewhere
			}
			got, err := read(t, r)
			var torn *Torn
			switch {
			case at[cut] && zeros == 0:
				if !errors.Is(err, io.EOF) {
					t.Fatalf("cut at %d, between blocks: %v", cut, err)
				}
			case cut+zeros >= len(text) && bytes.Equal(append(bytes.Clone(text[:cut]), make([]byte, len(text)-cut)...), text):
				// the bytes cut off were zeros themselves
			case !errors.As(err, &torn) || torn.Offset != int64(last):
				if blockWhole(text, last, cut, zeros) {
					continue // the zeros mended what was cut off
				}
				t.Fatalf("cut at %d, %d zeros: %v, want torn at %d", cut, zeros, err, last)
			}
			if len(got) > len(all) {
				t.Fatalf("cut at %d: %d chunks, the whole has %d", cut, len(got), len(all))
			}
			same(t, got, all[:len(got)])
		}
	}
}

// blockWhole reports whether zeros behind the cut give the block back that began at
// off: its last length ends in zero bytes.
func blockWhole(text []byte, off, cut, zeros int) bool {
	end := off + int(binary.LittleEndian.Uint32(text[off+4:]))
	return cut > off+8 && cut+zeros >= end && len(bytes.Trim(text[cut:end], "\x00")) == 0
}

// TestRead_EveryChangedByte: no change makes a reader panic, hang or give time
// running back, and a changed length in the middle is damage, not a torn end.
//
//fault:row a recording is cut or changed at any byte | said; what is whole is read
func TestRead_EveryChangedByte(t *testing.T) {
	text := short(t)
	at := starts(t, text)
	work := bytes.Clone(text)
	for i, was := range text {
		for _, v := range []byte{was ^ 1, 0xFF, was + 4} {
			if v == was {
				continue
			}
			work[i] = v
			r, err := OpenReader(bytes.NewReader(work))
			if err == nil {
				_, err = drain(t, r)
			}
			if err == nil {
				t.Fatal("no end")
			}
			// The second length byte of a block in the middle.
			if at[i-4] && i > 4 && i+200 < len(text) {
				var damaged *Damaged
				if !errors.As(err, &damaged) || damaged.Offset != int64(i-4) {
					t.Fatalf("length of the block at %d changed from %d to %d: %v", i-4, was, v, err)
				}
			}
		}
		work[i] = was
	}
}

func TestRead_DamageIsNamed(t *testing.T) {
	text := short(t)
	var offs []int
	for off := 0; off < len(text); off += int(binary.LittleEndian.Uint32(text[off+4:])) {
		offs = append(offs, off)
	}
	first := slices.IndexFunc(offs, func(off int) bool { return binary.LittleEndian.Uint32(text[off:]) == blockPacket })
	packet := offs[first]
	change := func(at int, v uint32) []byte {
		b := bytes.Clone(text)
		binary.LittleEndian.PutUint32(b[at:], v)
		return b
	}
	for _, c := range []struct {
		text []byte
		want string
	}{
		{change(packet+4, 13), "want 12 to"},
		{change(packet+4, 2<<20), "want 12 to"},
		{change(packet+4, 64), "lengths differ"},
		{change(packet+4, uint32(len(text)-packet+4)), "with whole blocks inside"},
		{change(packet+8, 77), "interface 77"},
		{change(packet+20, 900), "900 bytes in a block"},
		{change(packet+20, uint32(offs[first+1]-packet-12)), "bytes in a block"}, // all of the block but its frame
		{change(packet+20, uint32(offs[first+1]-packet-32+4)), "bytes in a block"},
	} {
		r, err := OpenReader(bytes.NewReader(c.text))
		if err != nil {
			t.Errorf("%s: %v", c.want, err)
			continue
		}
		_, err = drain(t, r)
		var damaged *Damaged
		if !errors.As(err, &damaged) || damaged.Offset != int64(packet) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v; want damage at %d, %q", err, packet, c.want)
		}
	}
	// A second section header without its byte-order mark.
	twice := append(bytes.Clone(text), text...)
	twice[len(text)+8] ^= 1
	r, err := OpenReader(bytes.NewReader(twice))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := drain(t, r); err == nil || !strings.Contains(err.Error(), "byte-order mark") {
		t.Errorf("%v", err)
	}
}

func TestOpen_SaysWhatItIs(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "empty"},
		{"\x1f\x8b\x08\x00\x00\x00\x00\x00", "gunzip"},
		{"BZh91AY", "bunzip2"},
		{"\xfd7zXZ\x00\x00", "unxz"},
		{"\x28\xb5\x2f\xfd\x04", "unzstd"},
		{"PK\x03\x04....", "zip"},
		{"SQLite format 3\x00\x10\x00", "SQLite"},
		{"\x7fELF\x02\x01", "program"},
		{"%PDF-1.7", "PDF"},
		{"\x89PNG\r\n", "picture"},
		{"time,tension\n0.1,200\n", "text"},
		{"größer als", "text"},
		{strings.Repeat("\x00", 100), "only zeros"},
		{"\x01\x02\x03\x04\xfe\x09", "no MAVLink frame"},
		{"\xd4\xc3\xb2\xa1", "torn"},
		{"\x0a\x0d\x0d\x0a\x1c\x00", "torn"},
		{"\x0a\x0d\x0d\x0a\x1c\x00\x00\x00AAAAAAAAAAAAAAAAAAAAAAA", "byte-order mark"},
		{"\xd4\xc3\xb2\xa1\x02\x00\x04\x00\x00\x00\x00\x00\x00\x00\x00\x00\xff\xff\x00\x00\x01\x00\x00\x00", "without a single packet"},
		{"\xd4\xc3\xb2\xa1\x02\x00\x04\x00\x00\x00\x00\x00\x00\x00\x00\x00\xff\xff\x00\x00\x69\x00\x00\x00", "link type 105"},
		{"\xd4\xc3\xb2\xa1\x09\x00\x04\x00\x00\x00\x00\x00\x00\x00\x00\x00\xff\xff\x00\x00\x01\x00\x00\x00", "version 9"},
	} {
		_, err := OpenReader(strings.NewReader(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.20q: %v, want %q in it", c.text, err, c.want)
		}
	}
	dir := t.TempDir()
	if _, err := Open(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	if _, err := Open(dir); err == nil {
		t.Error("a folder was opened")
	}
	if _, err := OpenParts(nil); err == nil {
		t.Error("nothing was opened")
	}
}

// TestRead_EmptyOwnRecording: a session that broke off before its first chunk.
func TestRead_EmptyOwnRecording(t *testing.T) {
	r, err := OpenReader(bytes.NewReader(write(t, nil)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) || !r.Info().Own {
		t.Errorf("%v, %+v", err, r.Info())
	}
}

func TestRead_GapInTheNumbering(t *testing.T) {
	puts := sample()[:6]
	puts = append(puts[:2], puts[4:]...)
	r, err := OpenReader(bytes.NewReader(write(t, puts)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := drain(t, r); !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	info := r.Info()
	if info.Gaps != 1 || info.Missing != 2 || info.FirstGapAt != 11*time.Millisecond || !strings.Contains(info.Notes()[0], "not claimed") {
		t.Errorf("%+v %q", info, info.Notes())
	}
}

func TestOpenParts_RefusesAnotherSession(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	other := testStart
	other.Session = "another"
	m := &memory{}
	if _, err := recorder.Create(m, other); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{a: write(t, sample()), b: m.text} {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r, err := OpenParts([]string{a, b})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := drain(t, r)
	if len(all) != 12 || err == nil || !strings.Contains(err.Error(), "no part of the recording") {
		t.Errorf("%d chunks, %v", len(all), err)
	}
}

// TestRead_MemoryIsBounded: lengths in a file are claims.
func TestRead_MemoryIsBounded(t *testing.T) {
	text := short(t)
	packet := 0
	for off := 0; off < len(text); off += int(binary.LittleEndian.Uint32(text[off+4:])) {
		packet = off
	}
	binary.LittleEndian.PutUint32(text[packet+4:], 0xFFFFFFF0)
	n := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			r, err := OpenReader(bytes.NewReader(text))
			if err != nil {
				b.Fatal(err)
			}
			if _, err := read(b, r); err == nil {
				b.Fatal("no end")
			}
		}
	}).AllocedBytesPerOp()
	if n > 2<<20 {
		t.Errorf("%d bytes for a file of %d", n, len(text))
	}
}

// BenchmarkRead_PCAPNG gives the cost of one packet of one frame.
func BenchmarkRead_PCAPNG(b *testing.B) {
	m := &memory{}
	w, err := recorder.Create(m, testStart)
	if err != nil {
		b.Fatal(err)
	}
	c := sample()[2].Chunk
	c.Bytes = make([]byte, 40)
	const packets = 100_000
	for i := range packets {
		c.Seq, c.At = uint64(i+1), time.Duration(i)*time.Millisecond
		if err := w.Put(c); err != nil {
			b.Fatal(err)
		}
	}
	benchmarkRead(b, m.text, packets)
}

func BenchmarkRead_PCAP(b *testing.B) {
	text, err := os.ReadFile(outside(b, "quad-crash-then-mission.pcap"))
	if err != nil {
		b.Fatal(err)
	}
	benchmarkRead(b, text, 11701)
}

func BenchmarkRead_Raw(b *testing.B) {
	text, err := os.ReadFile(outside(b, "sim-lossy.raw"))
	if err != nil {
		b.Fatal(err)
	}
	benchmarkRead(b, text, 8681)
}

func benchmarkRead(b *testing.B, text []byte, packets int) {
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	var c *intake.Chunk
	for b.Loop() {
		r, err := OpenReader(bytes.NewReader(text))
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			c, err = r.Next()
		}
		if !errors.Is(err, io.EOF) {
			b.Fatal(err, c)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(packets), "ns/packet")
}
