package telemetry

import (
	"bytes"
	"math"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/rules"
)

// FuzzScanner: whatever the bytes, every frame is checked by the library's
// checksum, every byte is accounted for, and a split changes nothing.
func FuzzScanner(f *testing.F) {
	var all []byte
	for _, p := range publishedFrames {
		b := unhex(f, p.hex)
		f.Add(b, uint8(3))
		all = append(all, b...)
	}
	f.Add(all, uint8(7))
	f.Add(append([]byte{0xFD, 0xFF, 0, 0, 0, 1, 1, 0, 0, 0}, all...), uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, piece uint8) {
		for _, whole := range []bool{false, true} {
			var s Scanner
			rest, in := b, 0
			for {
				var g Frame
				used, ok := s.NextInto(&g, rest, whole)
				if used > len(rest) || !ok && whole && used != len(rest) || !ok && len(rest)-used >= longestFrame {
					t.Fatalf("used %d of %d, ok %v", used, len(rest), ok)
				}
				rest = rest[used:]
				if !ok {
					break
				}
				in += len(g.Raw)
				checkFrame(t, g)
			}
			if uint64(in)+s.Counts.BadBytes+uint64(len(rest)) != uint64(len(b)) {
				t.Fatalf("%d bytes in frames, %d left, %+v, of %d", in, len(rest), s.Counts, len(b))
			}
		}
		if wrong := checkSplit(b, func(left int) int { return min(left, int(piece)+1) }); wrong != "" {
			t.Fatalf("split stream differs from the whole: %s", wrong)
		}
	})
}

// checkFrame checks a frame against the library's checksum and its own bytes.
func checkFrame(t *testing.T, g Frame) {
	t.Helper()
	head, tail := headV1, 0
	if g.Version == 2 {
		head = headV2
	}
	if g.Signed {
		tail = signatureLen
	}
	k := knownOf(g.ID)
	end := len(g.Raw) - tail - crcSize
	h := x25.New()
	h.Write(g.Raw[1:end])
	h.Write([]byte{k.seed})
	switch {
	case k.full == 0 || k.id != g.ID:
		t.Fatalf("message %d is not known: % x", g.ID, g.Raw)
	case !bytes.Equal(h.Sum(nil), g.Raw[end:end+crcSize]):
		t.Fatalf("wrong checksum: % x", g.Raw)
	case g.System == 0 || g.Component == 0:
		t.Fatalf("identity 0: % x", g.Raw)
	case !bytes.Equal(g.Payload, g.Raw[head:end]):
		t.Fatalf("payload is not the frame's: % x", g.Raw)
	case g.Version == 1 && len(g.Payload) != int(k.base):
		t.Fatalf("length: % x", g.Raw)
	}
}

// FuzzFields: whatever the payload, samples are well formed, and the same
// frame gives the same samples.
func FuzzFields(f *testing.F) {
	for _, m := range fedMessages() {
		f.Add(uint16(m.GetID()), uint8(2), payloadOf(f, m, 2))
		f.Add(uint16(m.GetID()), uint8(2), bytes.Repeat([]byte{0xFF}, 60))
		if m.GetID() < 256 {
			f.Add(uint16(m.GetID()), uint8(1), payloadOf(f, m, 1))
		}
	}
	x, err := NewFields(opinionPad())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, id uint16, version uint8, payload []byte) {
		g := &Frame{System: 1, Component: 1, ID: uint32(id), Version: 1 + version%2, Payload: payload[:min(len(payload), 255)]}
		got := samples(x, g)
		var seen [rules.ChannelCount]bool
		for _, s := range got {
			ch := s.Channel.Channel()
			switch {
			case s.Channel == rules.NoChannel || ch.Derived || seen[s.Channel]:
				t.Fatalf("channel %v twice, or not to be fed", s.Channel)
			case s.Quality == rules.Missing && (s.Value != 0 || math.Signbit(s.Value) || s.Cause == rules.NoCause):
				t.Fatalf("missing sample with a value or without a cause: %+v", s)
			case s.Quality != rules.Missing && !(s.Value >= ch.Low && s.Value <= ch.High):
				t.Fatalf("value out of range: %+v", s)
			case (s.Quality == rules.Good) != (s.Cause == rules.NoCause):
				t.Fatalf("quality and cause do not fit: %+v", s)
			case s.Value == 0 && math.Signbit(s.Value):
				t.Fatalf("minus zero: %+v", s)
			}
			seen[s.Channel] = true
		}
		// Other frames in between leave no trace.
		samples(x, &Frame{ID: 147, Version: 2, Payload: bytes.Repeat([]byte{0xA5}, 50)})
		again := samples(x, g)
		for i := range again {
			if len(again) != len(got) || again[i] != got[i] {
				t.Fatalf("the same frame gave %v and then %v", got, again)
			}
		}
		g.look().BootMillis()
	})
}
