package telemetry

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
	"pgregory.net/rapid"
)

// drawStream is frames of all kinds with anything between them.
func drawStream(t *rapid.T) []byte {
	var b []byte
	for range rapid.IntRange(0, 12).Draw(t, "pieces") {
		k := rapid.SampledFrom(knownMessages.rows[1:]).Draw(t, "message")
		version := rapid.Uint8Range(1, 2).Draw(t, "version")
		n := int(k.base)
		if version == 2 || k.id > 255 {
			version, n = 2, rapid.IntRange(0, 255).Draw(t, "length")
		}
		payload := rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, startV1, startV2, 9, 0x80}), n, n).Draw(t, "payload")
		f := frameBytes(version, rapid.Uint8().Draw(t, "seq"), rapid.Uint8Range(0, 2).Draw(t, "system"), 1,
			k.id, payload, k.seed, version == 2 && rapid.Bool().Draw(t, "signed"))
		switch rapid.IntRange(0, 5).Draw(t, "what") {
		case 0: // noise
			f = rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "noise")
		case 1: // a byte lost
			at := rapid.IntRange(0, len(f)-1).Draw(t, "lost")
			f = append(f[:at:at], f[at+1:]...)
		case 2: // a byte changed
			f[rapid.IntRange(0, len(f)-1).Draw(t, "changed")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		}
		b = append(b, f...)
	}
	return b
}

// scanAll is the frames of one buffer, and the bytes left for more.
func scanAll(s *Scanner, b []byte) (frames []string, left []byte) {
	for {
		f, used, ok := s.Next(b)
		b = b[used:]
		if !ok {
			return frames, b
		}
		frames = append(frames, string(f.Raw))
	}
}

// checkSplit returns what differs when b comes in pieces cut at the places that
// next gives.
func checkSplit(b []byte, next func(left int) int) (wrong string) {
	var whole Scanner
	want, left := scanAll(&whole, b)
	var s Stream
	var got []string
	for rest := b; len(rest) > 0; {
		// The stream may borrow a piece only until Next says false.
		piece := bytes.Clone(rest[:next(len(rest))])
		rest = rest[len(piece):]
		s.Feed(piece)
		for f, ok := s.Next(); ok; f, ok = s.Next() {
			got = append(got, string(f.Raw))
		}
		for i := range piece {
			piece[i] = 0xFE
		}
	}
	if len(got) != len(want) {
		return "another number of frames"
	}
	total := 0
	for i := range got {
		total += len(got[i])
		if got[i] != want[i] {
			return "another frame"
		}
	}
	switch {
	case s.Counts != whole.Counts:
		return "other counts"
	case s.held != len(left):
		return "another unfinished frame"
	case uint64(total)+s.Counts.BadBytes+uint64(s.held) != uint64(len(b)):
		return "bytes are not accounted for"
	case s.held >= longestFrame:
		return "more kept than a frame can need"
	}
	s.Drop()
	if uint64(total)+s.Counts.BadBytes != uint64(len(b)) || s.held != 0 {
		return "dropped bytes are not accounted for"
	}
	return ""
}

func TestStreamIsTheSameHoweverSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawStream(t)
		most := rapid.SampledFrom([]int{1, 3, 20, 300, 2000}).Draw(t, "longest piece")
		wrong := checkSplit(b, func(left int) int {
			return rapid.IntRange(1, min(left, most)).Draw(t, "piece")
		})
		if wrong != "" {
			t.Fatalf("split stream differs from the whole: %s", wrong)
		}
	})
}

func TestStreamSplitAtEveryByte(t *testing.T) {
	var b []byte
	for i, p := range publishedFrames {
		b = append(b, unhex(t, p.hex)...)
		b = append(b, 0xFE, byte(i), 0xFD)
	}
	for cut := 1; cut < len(b); cut++ {
		first := true
		wrong := checkSplit(b, func(left int) int {
			if first {
				first = false
				return cut
			}
			return left
		})
		if wrong != "" {
			t.Fatalf("cut at byte %d: %s", cut, wrong)
		}
	}
}

func TestUndrainedPieceIsCounted(t *testing.T) {
	var s Stream
	b := unhex(t, publishedFrames[0].hex)
	s.Feed(b)
	s.Feed(b)
	f, ok := s.Next()
	if !ok || f.Seq != 0x4E || s.Counts != (Counts{Good: 1, BadBytes: uint64(len(b))}) {
		t.Errorf("%v %+v %+v", ok, f, s.Counts)
	}
}

// Damage costs the damaged frame and no other: the promise that a reader which
// never looks again at bytes it consumed cannot keep.
func TestDamageCostsNoOtherFrame(t *testing.T) {
	for name, damage := range map[string]func(*rand.Rand, []byte) []byte{
		"byte changed": func(r *rand.Rand, f []byte) []byte {
			f[r.IntN(len(f))] ^= byte(1 + r.IntN(255))
			return f
		},
		"byte lost": func(r *rand.Rand, f []byte) []byte {
			at := r.IntN(len(f))
			return append(f[:at], f[at+1:]...)
		},
		"tail lost": func(r *rand.Rand, f []byte) []byte { return f[:1+r.IntN(len(f)-1)] },
	} {
		r := rand.New(rand.NewPCG(7, 7))
		var b []byte
		var want []string
		for i := range 20000 {
			m := &common.MessageAttitude{TimeBootMs: uint32(i * 20), Roll: r.Float32(), Pitch: r.Float32()}
			f := frameBytes(uint8(1+i%2), uint8(i), 1, 1, 30, payloadOf(t, m, uint8(1+i%2)), 39, false)
			if r.IntN(100) == 0 {
				f = damage(r, f)
			} else {
				want = append(want, string(f))
			}
			b = append(b, f...)
		}
		var s Scanner
		got, _ := scanAll(&s, b)
		i := 0
		for _, f := range got {
			if i < len(want) && f == want[i] {
				i++
			} else {
				t.Errorf("%s: a frame that was not sent so: % x", name, f)
			}
		}
		if i != len(want) {
			t.Errorf("%s: %d of %d undamaged frames found", name, i, len(want))
		}
	}
}

func TestFrameWithinDamagedFrameIsFound(t *testing.T) {
	inner := unhex(t, publishedFrames[2].hex)
	outer := frameBytes(2, 1, 9, 9, 76, inner, 152, false)
	var s Scanner
	if got, _ := scanAll(&s, outer); len(got) != 1 || got[0] != string(outer) {
		t.Errorf("whole outer frame: %d frames", len(got))
	}
	outer[len(outer)-1] ^= 1
	if got, _ := scanAll(&s, outer); len(got) != 1 || got[0] != string(inner) {
		t.Errorf("damaged outer frame: %d frames, want the inner one", len(got))
	}
}

func TestWhatIsNotLetThrough(t *testing.T) {
	hb := publishedFrames[2]
	edit := func(change func(b []byte)) []byte { b := unhex(t, hb.hex); change(b); return b }
	payload := unhex(t, hb.hex)[10:19]
	for name, c := range map[string]struct {
		bytes []byte
		want  Counts
	}{
		"unknown flag":             {edit(func(b []byte) { b[2] = 2 }), Counts{UnknownFlag: 1, BadBytes: 21}},
		"known and unknown flag":   {edit(func(b []byte) { b[2] = 0x81 }), Counts{UnknownFlag: 1, BadBytes: 21}},
		"id nobody knows":          {frameBytes(2, 1, 1, 1, 70000, payload, 50, false), Counts{UnknownID: 1, BadBytes: 21}},
		"id past 16 bits":          {frameBytes(2, 1, 1, 1, 1<<16, payload, 50, false), Counts{UnknownID: 1, BadBytes: 21}},
		"version 1 id nobody has":  {frameBytes(1, 1, 1, 1, 199, payload, 50, false), Counts{UnknownID: 1, BadBytes: 17}},
		"wrong seed":               {frameBytes(2, 1, 1, 1, 0, payload, 51, false), Counts{BadCRC: 1, BadBytes: 21}},
		"system 0":                 {frameBytes(2, 1, 0, 1, 0, payload, 50, false), Counts{Refused: 1, BadBytes: 21}},
		"component 0, version 1":   {frameBytes(1, 1, 1, 0, 0, payload, 50, false), Counts{Refused: 1, BadBytes: 17}},
		"version 1 too short":      {frameBytes(1, 1, 1, 1, 0, payload[:8], 50, false), Counts{BadLength: 1, BadBytes: 16}},
		"version 1 with extension": {frameBytes(1, 4, 1, 1, 77, make([]byte, 10), 143, false), Counts{BadLength: 1, BadBytes: 18}},
		"end cut off":              {unhex(t, hb.hex)[:20], Counts{Cut: 1, BadBytes: 20}},
		"only a start":             {[]byte{0xFD}, Counts{Cut: 1, BadBytes: 1}},
	} {
		var s Scanner
		f, used, ok := s.NextWhole(c.bytes)
		if ok || used != len(c.bytes) || s.Counts != c.want {
			t.Errorf("%s: %v %+v, used %d of %d, %+v, want %+v", name, ok, f, used, len(c.bytes), s.Counts, c.want)
		}
	}
	for name, b := range map[string][]byte{
		"all zero, 1 byte":           frameBytes(2, 1, 1, 1, 0, []byte{0}, 50, false),
		"all zero, 0 bytes":          frameBytes(2, 1, 1, 1, 0, nil, 50, false),
		"untrimmed":                  frameBytes(2, 1, 1, 1, 0, make([]byte, 9), 50, false),
		"longer than this edition":   frameBytes(2, 1, 1, 1, 0, make([]byte, 40), 50, false),
		"unknown compatibility flag": {},
		"the longest":                frameBytes(2, 1, 1, 1, 0, make([]byte, 255), 50, true),
	} {
		if len(b) == 0 {
			b = unhex(t, hb.hex)
			b[3] = 0xFF
			h := x25.New()
			h.Write(b[1 : len(b)-2])
			h.Write([]byte{50})
			b = h.Sum(b[:len(b)-2])
		}
		var s Scanner
		f, used, ok := s.NextWhole(b)
		if !ok || used != len(b) || f.ID != 0 || s.Counts != (Counts{Good: 1}) {
			t.Errorf("%s: %v, used %d of %d, %+v", name, ok, used, len(b), s.Counts)
		}
	}
}
