package strays

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

// frame puts a frame together with the library's checksum, after the MAVLink guide,
// "Packet Serialization".
func frame(version int, id uint32, system, component, seed byte, payload []byte) []byte {
	b := []byte{0xFE, byte(len(payload)), 7, system, component, byte(id)}
	if version == 2 {
		b = []byte{0xFD, byte(len(payload)), 0, 0, 7, system, component, byte(id), byte(id >> 8), byte(id >> 16)}
	}
	return sum(append(b, payload...), seed)
}

func sum(b []byte, seed byte) []byte {
	x := x25.New()
	x.Write(b[1:])
	x.Write([]byte{seed})
	return binary.LittleEndian.AppendUint16(b, x.Sum16())
}

// Numbers, lengths and CRC_EXTRA as the common set of the standard has them:
// ATTITUDE 30 28 bytes 39; RAW_IMU 27 26 bytes and 29 with extensions, 144;
// RADIO_STATUS 109 9 bytes 185.
func TestEachKindIsCountedAsFrames(t *testing.T) {
	zeros, radio := make([]byte, 28), []byte{1, 0, 2, 0, 90, 91, 50, 3, 0}
	good := frame(1, 30, 1, 1, 39, zeros)
	cut := frame(2, 109, 51, 68, 185, radio)
	cut = slices.Delete(cut, 10+8, 10+9) // the last zero, and the length says so
	cut[1]--
	flip := func(f []byte) []byte { f = slices.Clone(f); f[len(f)-4] ^= 0x40; return f }
	odd := frame(2, 30, 1, 1, 39, zeros)
	odd = odd[:len(odd)-2]
	odd[2] = 4
	odd = sum(odd, 39)
	for _, c := range []struct {
		name string
		kind Kind
		f    []byte
	}{
		{"component 0", NoSender, frame(1, 30, 1, 0, 39, zeros)},
		{"system 0", NoSender, frame(2, 30, 0, 1, 39, zeros)},
		{"version 1 with extensions", Extended, frame(1, 27, 1, 1, 144, make([]byte, 29))},
		{"version 1, too short", OtherSize, frame(1, 30, 1, 1, 39, zeros[:20])},
		{"untrimmed sum", Untrimmed, cut},
		{"other seed", OtherSeed, frame(2, 30, 1, 1, 77, zeros)},
		{"unknown id", Unknown, frame(2, 70_001, 1, 1, 5, zeros)},
		{"odd flag", OddFlags, odd},
		{"bad sum", Damaged, flip(good)},
		{"bad sum, version 2", Damaged, flip(frame(2, 30, 1, 1, 39, radio))},
		{"a byte lost", Damaged, slices.Delete(slices.Clone(good), 12, 13)},
		{"cut off", Damaged, good[:17]},
	} {
		pair := slices.Concat(good, c.f, good, good, c.f, c.f, good)
		for name, take := range map[string]func(*Tally){
			"whole":     func(y *Tally) { y.Whole(pair) },
			"datagrams": func(y *Tally) { y.Whole(c.f); y.Whole(c.f); y.Whole(c.f) },
			"stream": func(y *Tally) {
				for b := range slices.Chunk(pair, 7) {
					y.Stream(b)
				}
				y.End()
			},
		} {
			var y Tally
			take(&y)
			if y.n[c.kind] != 3 || y.Left != 0 || y.bytes[c.kind] != uint64(3*len(c.f)) {
				t.Errorf("%s, %s: %v", c.name, name, &y)
			}
			if right, damaged := y.frames(); right+damaged != 3 {
				t.Errorf("%s, %s: %d right, %d damaged", c.name, name, right, damaged)
			}
		}
	}
}

// Noise is no frame, and every byte is counted once.
func TestEveryByteIsCountedOnce(t *testing.T) {
	rnd := rand.New(rand.NewPCG(16, 1))
	good := frame(1, 30, 1, 1, 39, make([]byte, 28))
	for range 300 {
		var b []byte
		n := 0
		for range rnd.IntN(20) {
			switch rnd.IntN(4) {
			case 0:
				b = append(b, good[:rnd.IntN(len(good))]...)
			case 1:
				for range rnd.IntN(90) {
					b = append(b, byte(rnd.Uint32())|byte(rnd.IntN(2)*0xFC))
				}
			default:
				b, n = append(b, good...), n+1
			}
		}
		var whole, stream Tally
		whole.Whole(bytes.Clone(b))
		for p := b; len(p) > 0; {
			k := 1 + rnd.IntN(len(p))
			stream.Stream(p[:k])
			p = p[k:]
		}
		stream.End()
		for name, y := range map[string]*Tally{"whole": &whole, "stream": &stream} {
			sum := y.Left + y.scan.Counts.Good*uint64(len(good))
			for _, r := range y.Rows() {
				sum += r.Bytes
			}
			if sum != uint64(len(b)) || y.scan.Counts.Good < uint64(n) {
				t.Fatalf("%s: %d of %d bytes, %d frames of %d: %v", name, sum, len(b), y.scan.Counts.Good, n, y)
			}
		}
		if whole.String() != stream.String() {
			t.Fatalf("whole %v, stream %v", &whole, &stream)
		}
	}
}

// frames is how many are right and none of ours, and how many are damaged.
func (t *Tally) frames() (right, damaged uint64) {
	for k, n := range t.n {
		if Kind(k) != Damaged {
			right += n
		}
	}
	return right, t.n[Damaged]
}

// String is the tally in one line.
func (t *Tally) String() string {
	text := ""
	for _, r := range t.Rows() {
		text += fmt.Sprintf("%d %s; ", r.Count, r.What)
	}
	return text + fmt.Sprintf("%d bytes in no frame", t.Left)
}
