package recording

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/interlock/day/telemetry"
)

// heartbeat is a MAVLink 2 HEARTBEAT (id 0, CRC_EXTRA 50: MAVLink common message
// set), which tells no time, with a signature if wanted.
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

// TestRaw_FramesAreThoseOfAPlainScan reads rough bytes in pieces of any size: the
// checked frames of the chunks are those that a scanner finds in all bytes at once,
// each where it says it lies.
func TestRaw_FramesAreThoseOfAPlainScan(t *testing.T) {
	frames := 0
	for seed := range uint64(60) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		size := []int{300, rawChunk, 3 * rawChunk, bufferSize, 3 * bufferSize}[seed%5]
		text := roughBytes(rnd, size)
		text = text[:len(text)-rnd.IntN(min(len(text), 40)+1)]
		var want []string
		var s telemetry.Scanner
		var f telemetry.Frame
		for used, n := 0, 0; used < len(text); used += n {
			var ok bool
			if n, ok = s.NextInto(&f, text[used:], true); ok {
				want = append(want, string(f.Raw))
			}
		}
		r, err := OpenReader(&pieces{text: text, size: 1 + rnd.IntN(9000)})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for c, err := r.Next(); err == nil; c, err = r.Next() {
			for i := range c.Checked {
				f := &c.Checked[i]
				if !bytes.Contains(c.Bytes, f.Raw) || !bytes.Contains(f.Raw, f.Payload) {
					t.Fatalf("seed %d: frame %d lies in no chunk", seed, len(got))
				}
				got = append(got, string(f.Raw))
			}
		}
		if !slices.Equal(got, want) {
			t.Fatalf("seed %d: %d frames in chunks, %d in a plain scan", seed, len(got), len(want))
		}
		if n := r.Info(); n.Frames != uint64(len(want)) || n.BadBytes != s.Counts.BadBytes {
			t.Fatalf("seed %d: %+v, a plain scan counts %d frames and %d bad bytes", seed, n, len(want), s.Counts.BadBytes)
		}
		frames += len(got)
	}
	if frames < 20_000 {
		t.Errorf("only %d frames: little was tried", frames)
	}
}
