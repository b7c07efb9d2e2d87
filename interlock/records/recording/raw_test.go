package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

// attitude is a MAVLink 1 ATTITUDE frame (id 30, 28 bytes, CRC_EXTRA 39: MAVLink
// common message set) of that boot clock, with the library's checksum.
func attitude(system uint8, boot uint32) []byte {
	b := []byte{0xFE, 28, 0, system, 1, 30}
	b = binary.LittleEndian.AppendUint32(b, boot)
	b = append(b, make([]byte, 24)...)
	return sealed(append(b, 0, 0), 39)
}

// sealed puts the library's checksum at the end of a frame of a message with that
// CRC_EXTRA.
func sealed(f []byte, seed byte) []byte {
	x := x25.New()
	x.Write(f[1 : len(f)-2])
	x.Write([]byte{seed})
	binary.LittleEndian.PutUint16(f[len(f)-2:], x.Sum16())
	return f
}

func join(parts ...[]byte) []byte { return slices.Concat(parts...) }

func TestRaw_OneChunkForEachStepOfTheClock(t *testing.T) {
	junk := []byte("junk between\xfe\x1c")
	text := join(junk, attitude(1, 1000), attitude(1, 1000), junk, attitude(1, 1250), attitude(9, 77), attitude(1, 1200), attitude(1, 1300), junk)
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	var joined []byte
	var at []time.Duration
	for i, c := range all {
		joined = append(joined, c.Bytes...)
		at = append(at, c.At)
		if c.Seq != uint64(i+1) || c.From.IsValid() {
			t.Errorf("chunk %+v", c)
		}
	}
	ms := time.Millisecond
	if !slices.Equal(at, []time.Duration{0, 250 * ms, 300 * ms}) || !bytes.Equal(joined, text) {
		t.Errorf("times %v", at)
	}
	info := r.Info()
	if info.Frames != 6 || info.BadBytes != uint64(3*len(junk)) || info.Backwards != 1 || info.Restarts != 0 || !info.Timed || !info.Start.IsZero() {
		t.Errorf("info %+v", info)
	}
}

func TestRaw_AnyPieceSizes(t *testing.T) {
	var text []byte
	for i := range 4000 {
		text = append(text, attitude(1, uint32(i*20))...)
		if i%7 == 0 {
			text = append(text, bytes.Repeat([]byte{0xFD, 3}, i%50)...)
		}
	}
	var first []time.Duration
	for _, size := range []int{1 << 20, 1000, 37} {
		r, err := OpenReader(&pieces{text: text, size: size})
		if err != nil {
			t.Fatal(err)
		}
		all, err := drain(t, r)
		if !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		var joined []byte
		var at []time.Duration
		for _, c := range all {
			joined = append(joined, c.Bytes...)
			at = append(at, c.At)
		}
		if first == nil {
			first = at
		}
		if !bytes.Equal(joined, text) || !slices.Equal(at, first) || r.Info().Frames != 4000 || len(at) != 4000 {
			t.Errorf("pieces of %d: %d chunks, info %+v", size, len(at), r.Info())
		}
	}
}

type pieces struct {
	text []byte
	size int
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.text) == 0 {
		return 0, io.EOF
	}
	n := copy(b, p.text[:min(p.size, len(p.text))])
	p.text = p.text[n:]
	return n, nil
}

// TestRaw_LongNoise: megabytes without a frame come in chunks of bounded size.
func TestRaw_LongNoise(t *testing.T) {
	text := join(attitude(1, 500), bytes.Repeat([]byte{0xFE, 0xFE, 9, 9}, 500_000), attitude(1, 900))
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	n := 0
	for _, c := range all {
		if len(c.Bytes) > 2*rawChunk {
			t.Fatalf("a chunk of %d bytes", len(c.Bytes))
		}
		n += len(c.Bytes)
	}
	if n != len(text) || all[len(all)-1].At != 400*time.Millisecond || r.Info().Frames != 2 {
		t.Errorf("%d of %d bytes, info %+v", n, len(text), r.Info())
	}
}

func TestBootTime(t *testing.T) {
	type step struct {
		boot uint32
		want time.Duration
	}
	ms := time.Millisecond
	for _, c := range []struct {
		what                      string
		steps                     []step
		backward, restarts, leaps uint64
	}{
		{"steady", []step{{1000, 0}, {1100, 100 * ms}, {1100, 100 * ms}, {2000, 1000 * ms}}, 0, 0, 0},
		{"out of order", []step{{1000, 0}, {1500, 500 * ms}, {1400, 500 * ms}, {1600, 600 * ms}}, 1, 0, 0},
		{"a restart", []step{{90_000, 0}, {91_000, 1000 * ms}, {10, 1000 * ms}, {110, 1000 * ms}, {310, 1200 * ms}}, 0, 1, 0},
		{"one wild value behind", []step{{90_000, 0}, {10, 0}, {90_100, 100 * ms}, {20, 100 * ms}, {90_200, 200 * ms}}, 0, 0, 0},
		{"one wild value ahead", []step{{1000, 0}, {4_000_000_000, 0}, {1100, 100 * ms}}, 0, 0, 0},
		{"an outage of five minutes", []step{{1000, 0}, {301_000, 0}, {301_100, 300_100 * ms}, {301_200, 300_200 * ms}}, 0, 0, 1},
		{"two wild values that differ", []step{{1000, 0}, {900_000, 0}, {2_000_000, 0}, {1200, 200 * ms}}, 0, 0, 0},
	} {
		b := bootTime{base: time.Duration(c.steps[0].boot) * ms, doubt: -1}
		for i, s := range c.steps {
			if got := b.see(s.boot); got != s.want {
				t.Errorf("%s, step %d: %v, want %v", c.what, i, got, s.want)
			}
		}
		if b.backward != c.backward || b.restarts != c.restarts || b.leaps != c.leaps {
			t.Errorf("%s: %+v", c.what, b)
		}
	}
}

func TestRaw_ClockOfTheSenderThatTellsItMost(t *testing.T) {
	text := join(attitude(9, 5), attitude(1, 1000), attitude(1, 1100), attitude(9, 7), attitude(1, 1200))
	if got := chooseClock(text); got.who != (sender{1, 1}) || got.lowest != time.Second {
		t.Errorf("%+v", got)
	}
	if got := chooseClock([]byte("nothing")); got.count != 0 {
		t.Errorf("%+v", got)
	}
}

func FuzzPCAPNG(f *testing.F) {
	f.Add(short(f))
	f.Add(short(f)[:200])
	f.Add(ngClock(f, 9, 0, 1, 2, 3))
	f.Add(ngClock(f, 0x94, 5, 1<<50))
	fuzz(f)
}

func FuzzPCAP(f *testing.F) {
	at := make([]time.Duration, 3)
	for _, link := range links {
		p := packetOf(f, link, false, "\xfe\x09datagram")
		f.Add(pcapOf(binary.LittleEndian, false, uint32(link), at, p, p))
		f.Add(pcapOf(binary.BigEndian, true, uint32(link), at, packetOf(f, link, true, "six"), p))
	}
	text, offs, _ := captured(f, 6)
	clear(text[offs[2]+5 : offs[3]-3])
	f.Add(text)
	fuzz(f)
}

func FuzzRaw(f *testing.F) {
	f.Add(join(attitude(1, 1000), []byte("junk"), attitude(1, 1250), attitude(2, 3)))
	f.Add(join([]byte{0xFE, 28}, attitude(1, 90_000), attitude(1, 5), attitude(1, 9)))
	fuzz(f)
}

// fuzz: whatever the bytes, a reader ends, gives no time that runs back, no
// bytes that are not in the file, and torn ends and damage with a place in it;
// also past damage.
func fuzz(f *testing.F) {
	f.Fuzz(func(t *testing.T, text []byte) {
		fuzzed(t, text)
		fuzzed(t, text, PastDamage())
	})
}

func fuzzed(t *testing.T, text []byte, options ...Option) {
	r, err := OpenReader(bytes.NewReader(text), options...)
	if err != nil {
		return
	}
	n, last := 0, time.Duration(0)
	for {
		c, err := r.Next()
		var torn *Torn
		var damaged *Damaged
		switch {
		case err == nil:
		case errors.Is(err, io.EOF):
			if left := r.Info().DamagedBytes; left > uint64(len(text)-n) {
				t.Fatalf("%d bytes left out and %d read, of %d", left, n, len(text))
			}
			return
		case errors.As(err, &torn):
			if torn.Offset < 0 || torn.Offset > int64(len(text)) {
				t.Fatalf("torn at %d of %d", torn.Offset, len(text))
			}
			return
		case errors.As(err, &damaged):
			if damaged.Offset < 0 || damaged.Offset > int64(len(text)) {
				t.Fatalf("damaged at %d of %d", damaged.Offset, len(text))
			}
			return
		default:
			t.Fatalf("another error from bytes in memory: %v", err)
		}
		if c.At < last {
			t.Fatalf("time ran back from %v to %v", last, c.At)
		}
		last = c.At
		if n += len(c.Bytes); n > len(text) {
			t.Fatalf("%d bytes out of a file of %d", n, len(text))
		}
		if !bytes.Contains(text, c.Bytes) {
			t.Fatal("bytes that are not in the file")
		}
	}
}
