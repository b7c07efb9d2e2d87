package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/interlock/telemetry"
)

// heartbeat is a MAVLink 2 HEARTBEAT (id 0, CRC_EXTRA 50: MAVLink common message
// set), which tells no time, with a signature that nobody checks if wanted.
func heartbeat(system uint8, signed bool) []byte {
	b := []byte{0xFD, 9, 0, 0, 7, system, 1, 0, 0, 0, 1, 0, 0, 0, 2, 3, 0x80, 4, 3}
	if signed {
		b[2] = 1
	}
	x := x25.New()
	x.Write(b[1:])
	x.Write([]byte{50})
	if b = binary.LittleEndian.AppendUint16(b, x.Sum16()); signed {
		b = append(b, "\xfd\xfesignature.."...)
	}
	return b
}

// roughBytes are frames whose clocks run on, back, over 2³² and anew, with junk of
// up to several chunks between them.
func roughBytes(rnd *rand.Rand, size int) (out []byte) {
	boot := uint32(rnd.Uint64())
	if rnd.IntN(3) == 0 {
		boot = 1<<32 - 1 - uint32(rnd.IntN(20_000))
	}
	still, wild := rnd.IntN(2) == 0, 1+rnd.IntN(400)
	for len(out) < size {
		if !still || rnd.IntN(90) == 0 {
			boot += uint32(rnd.IntN(40))
		}
		f := attitude(1, boot)
		switch rnd.IntN(10 * wild) {
		case 0:
			boot = uint32(rnd.IntN(5000))
		case 1:
			boot += 70_000
		case 2:
			junk := make([]byte, rnd.IntN(5*rawChunk))
			for i := range junk {
				junk[i] = byte(rnd.Uint32()) | 0xF0 // many starts
			}
			f = append(junk, f...)
		case 3:
			f = make([]byte, 2*rawChunk-20+rnd.IntN(40)) // where a chunk is full
		}
		switch rnd.IntN(20) {
		case 0:
			f = attitude(1, boot-uint32(rnd.IntN(1200)))
		case 1:
			f = attitude(1, rnd.Uint32())
		case 2:
			f = attitude(9, rnd.Uint32())
		case 3:
			f = f[:rnd.IntN(len(f)+1)]
		case 4:
			f = append([]byte("\xfd\x1c\x00\xfe"), f...)
		case 5:
			f = attitude(0, boot) // no sender may have 0
		case 6, 7:
			f = heartbeat(1, rnd.IntN(2) == 0)
		case 8:
			f[rnd.IntN(len(f))] ^= 1
		}
		out = append(out, f...)
	}
	return out
}

// timedFrame is a frame's bytes and its time.
type timedFrame struct {
	at  time.Duration
	raw string
}

// TestNextFrameIsNext reads rough bytes in chunks and frame by frame, from the
// beginning or from behind some chunks: the frames, times and counts are the same.
func TestNextFrameIsNext(t *testing.T) {
	for seed := range uint64(60) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		size := []int{0, 1, 300, rawChunk, 3 * rawChunk, bufferSize, 3 * bufferSize}[seed%7]
		text := roughBytes(rnd, size)
		text = text[:len(text)-rnd.IntN(min(len(text), 40)+1)]
		// The frames of each chunk by a scanner of their own.
		chunks, err := OpenReader(&pieces{text: text, size: 1 + rnd.IntN(9000)})
		if err != nil {
			continue // no recording: nothing is read either way
		}
		var want []timedFrame
		var behind []int // frames up to each chunk's end
		for {
			c, err := chunks.Next()
			if err != nil {
				break
			}
			for i := range c.Checked {
				want = append(want, timedFrame{c.At, string(c.Checked[i].Raw)})
			}
			behind = append(behind, len(want))
		}
		for _, given := range []int{0, 0, 1, rnd.IntN(len(behind) + 1)} {
			frames, err := OpenReader(&pieces{text: text, size: 1 + rnd.IntN(9000)})
			if err != nil {
				t.Fatal(err)
			}
			from := 0
			for i := range min(given, len(behind)) {
				if _, err := frames.Next(); err != nil {
					t.Fatal(err)
				}
				from = behind[i]
			}
			var got []timedFrame
			var f telemetry.Frame
			for {
				at, err := frames.NextFrame(&f)
				if err != nil {
					if _, again := frames.NextFrame(&f); !errors.Is(err, io.EOF) || again != err {
						t.Fatalf("seed %d: the end is %v, and then %v", seed, err, again)
					}
					break
				}
				got = append(got, timedFrame{at, string(f.Raw)})
			}
			if rest := want[from:]; !slices.Equal(got, rest) {
				i := 0
				for i < min(len(got), len(rest)) && got[i] == rest[i] {
					i++
				}
				t.Fatalf("seed %d, behind %d chunks: %d frames one by one, %d in chunks, the same up to %d", seed, given, len(got), len(rest), i)
			}
			a, b := chunks.Info(), frames.Info()
			a.Chunks, b.Chunks = 0, 0 // there are none one by one
			if x, y := fmt.Sprintf("%+v", a), fmt.Sprintf("%+v", b); x != y {
				t.Fatalf("seed %d, behind %d chunks:\n%s in chunks\n%s one by one", seed, given, x, y)
			}
			if x, y := chunks.Breaks(), frames.Breaks(); x != y {
				t.Fatalf("seed %d: %d breaks in chunks, %d one by one", seed, x, y)
			}
		}
	}
}

// TestNextFrameOverTheEndOfTheBuffer has a frame behind long junk lie at every place
// across the end of what was read at once.
func TestNextFrameOverTheEndOfTheBuffer(t *testing.T) {
	var head []byte
	for ms := uint32(0); len(head) < bufferSize-2*rawChunk; ms += 20 {
		head = append(head, attitude(1, ms)...)
	}
	last := attitude(1, 4e6)
	for over := range len(last) + 2 {
		junk := make([]byte, bufferSize-len(head)-over)
		r, err := OpenReader(bytes.NewReader(join(head, junk, last, last)))
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		var f telemetry.Frame
		for _, err = r.NextFrame(&f); err == nil; _, err = r.NextFrame(&f) {
			n++
		}
		if want := len(head)/len(last) + 2; n != want || r.Info().BadBytes != uint64(len(junk)) {
			t.Fatalf("%d bytes in front of the end: %d frames and %d bad bytes, want %d and %d", over, n, r.Info().BadBytes, want, len(junk))
		}
	}
}

// TestNextFrameAtTheEndOfAPart: raw bytes are no part of a recording of our own, and
// nothing of a second file may be left out in silence.
func TestNextFrameAtTheEndOfAPart(t *testing.T) {
	var names []string
	for i := range 2 {
		names = append(names, filepath.Join(t.TempDir(), fmt.Sprint(i)))
		if err := os.WriteFile(names[i], attitude(1, uint32(1000*i)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ends := func(next func(r *Reader) error) (n int, end string) {
		r, err := OpenParts(names)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for err = next(r); err == nil; err = next(r) {
			n++
		}
		return n, err.Error()
	}
	var f telemetry.Frame
	n, chunks := ends(func(r *Reader) error { _, err := r.Next(); return err })
	m, frames := ends(func(r *Reader) error { _, err := r.NextFrame(&f); return err })
	if n != m || chunks != frames || frames == io.EOF.Error() {
		t.Errorf("%d chunks and %q, %d frames and %q", n, chunks, m, frames)
	}
}
