package limits

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"
	"time"
)

// What is no finite number, and a rate that is none, are no rate, and no later rate
// rests on them.
func TestSlopeOfWhatIsNoNumber(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		s := NewSlope(time.Second)
		s.Add(0, 1)
		if rate, ok := s.Add(time.Second, v); rate != 0 || ok || s.n != 1 {
			t.Errorf("to %v: %v, %v, %d kept", v, rate, ok, s.n)
		}
		if rate, ok := s.Peek(time.Second, v); rate != 0 || ok {
			t.Errorf("peeked at %v: %v, %v", v, rate, ok)
		}
		if rate, ok := s.Add(2*time.Second, 5); rate != 2 || !ok {
			t.Errorf("after %v: %v, %v", v, rate, ok)
		}
	}
	for _, v := range []float64{1e308, -1e308} {
		s := NewSlope(time.Second)
		s.Add(0, v)
		if rate, ok := s.Add(time.Second, -v); rate != 0 || ok {
			t.Errorf("from %v to %v: %v, %v", v, -v, rate, ok)
		}
	}
	s := NewSlope(time.Second)
	s.Add(0, 1)
	if rate, ok := s.Add(time.Second, 1); math.Signbit(rate) || !ok {
		t.Errorf("level: %v, %v", rate, ok)
	}
}

// Of samples that come faster than a 64th of the span one a part is kept, from exactly
// that distance on; a span below 4096 ns is one of 4096 ns.
func TestSlopeKeepsOneAPart(t *testing.T) {
	for gap, want := range map[time.Duration]int{time.Second/64 - 1: 1, time.Second / 64: 2} {
		s := NewSlope(time.Second)
		s.Add(0, 1)
		if s.Add(gap, 2); s.n != want {
			t.Errorf("%v apart: %d kept, want %d", gap, s.n, want)
		}
	}
	for over, want := range map[time.Duration]time.Duration{1: 4096, 4096: 4096, 4097: 4097} {
		if s := NewSlope(over); s.over != want {
			t.Errorf("over %v: %v", over, s.over)
		}
	}
	s := NewSlope(time.Second)
	for k := range 1000 { // as close as is kept: the ring holds them all
		at := time.Duration(k) * (time.Second / 64)
		if rate, ok := s.Add(at, at.Seconds()); ok != (k >= 64) || ok && math.Abs(rate-1) > 1e-12 {
			t.Fatalf("sample %d: %v, %v", k, rate, ok)
		}
	}
}

// The image is how many samples count at an instant, and the age and the value of each.
func TestSlopeImage(t *testing.T) {
	const s = time.Second
	l := NewSlope(s)
	for k, v := range []float64{3, math.Copysign(0, -1), 7} {
		l.Add(time.Duration(k)*s/2, v)
	}
	image := func(now time.Duration, kept ...float64) (out []byte) { // at, value and so on
		out = binary.LittleEndian.AppendUint64(out, uint64(len(kept)/2))
		for pair := range slices.Chunk(kept, 2) {
			out = binary.LittleEndian.AppendUint64(out, uint64(now-time.Duration(pair[0]*1e9)))
			out = binary.LittleEndian.AppendUint64(out, math.Float64bits(pair[1]))
		}
		return out
	}
	for now, want := range map[time.Duration][]byte{
		s: image(s, 0, 3, 0.5, 0, 1, 7), 3*s/2 - 1: image(3*s/2-1, 0, 3, 0.5, 0, 1, 7), 3 * s / 2: image(3*s/2, 0.5, 0, 1, 7), 2*s - 1: image(2*s-1, 0.5, 0, 1, 7), 2 * s: image(2*s, 1, 7), 9 * s: image(9*s, 1, 7),
	} {
		if got := l.AppendState([]byte{}, now); !slices.Equal(got, want) {
			t.Errorf("at %v: %v, want %v", now, got, want)
		}
	}
}
