package telemetry

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"downhaul/interlock"
)

// Ten megabytes of noise hold some 39,000 start bytes of version 1. For a
// phantom the id must be known (about 3 in 4), the length the message's (1 in
// 256) and the checksum right (1 in 65,536): 0.002 phantoms of any sender are
// expected, and 3e-8 of one named sender. Version 2 with its 24-bit id adds
// less than a thousandth of that.
func TestNoiseFeedsNothing(t *testing.T) {
	const size = 10 << 20
	b := make([]byte, size)
	r := rand.NewChaCha8([32]byte{'n', 'o', 'i', 's', 'e'})
	for i := 0; i < size; i += 8 {
		binary.LittleEndian.PutUint64(b[i:], r.Uint64())
	}
	x, err := NewFields(FieldsConfig{})
	if err != nil {
		t.Fatal(err)
	}
	var s Scanner
	phantoms := 0
	for rest := b; ; {
		f, used, ok := s.NextWhole(rest)
		rest = rest[used:]
		if !ok {
			break
		}
		phantoms++
		if f.System == 1 && f.Component == 1 {
			if got := samples(x, &f); len(got) > 0 {
				t.Errorf("noise fed %v", got)
			}
		}
	}
	t.Logf("%d phantoms in 10 MiB: %+v", phantoms, s.Counts)
	if phantoms > 2 {
		t.Errorf("%d phantoms, expected 0.002", phantoms)
	}
	if got := s.Counts.BadBytes + s.Counts.Good; got > size || phantoms == 0 && got != size {
		t.Errorf("%d bytes accounted for, of %d", got, size)
	}
}

// The same with everything but the checksum made right: it lets one in 65,536
// through, so here about 30 of two million. This is why identity, and not the
// checksum alone, has to keep strangers out.
func TestChecksumAloneLetsOneIn65536Through(t *testing.T) {
	const tries = 2 << 20
	r := rand.NewChaCha8([32]byte{'c', 'r', 'c'})
	frame := []byte{startV1, 9, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	passed := 0
	for range tries {
		binary.LittleEndian.PutUint64(frame[6:], r.Uint64())
		binary.LittleEndian.PutUint16(frame[15:], uint16(r.Uint64()))
		var s Scanner
		if _, _, ok := s.Next(frame); ok {
			passed++
		}
	}
	t.Logf("%d of %d passed", passed, tries)
	if passed < 10 || passed > 70 { // 32 expected, deviation 5.7
		t.Errorf("%d of %d passed, expected about %d", passed, tries, tries>>16)
	}
}

func TestScanningDoesNotAllocate(t *testing.T) {
	x, err := NewFields(FieldsConfig{})
	if err != nil {
		t.Fatal(err)
	}
	var b []byte
	for i, m := range fedMessages() {
		b = append(b, wire(t, 2, uint8(i), m)...)
	}
	var s Stream
	dst := make([]interlock.Input, 0, 1000)
	frames := 0
	if n := testing.AllocsPerRun(50, func() {
		for at := 0; at < len(b); at += 50 {
			s.Feed(b[at:min(at+50, len(b))])
			for f, ok := s.Next(); ok; f, ok = s.Next() {
				dst = x.Append(dst[:0], &f)
				frames++
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if frames != 51*len(fedMessages()) {
		t.Errorf("%d frames", frames)
	}
}
