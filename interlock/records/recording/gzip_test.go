package recording

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"strings"
	"testing"
	"time"
)

// packed is bytes as gzip writes them, the standard library's writer being another than
// the reader's.
func packed(t *testing.T, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A compressed recording of every form gives the chunks that it gives unpacked; one that
// breaks off or is damaged gives what stands before, and both are said.
func TestACompressedRecordingIsReadUnpacked(t *testing.T) {
	var raw []byte
	var at []time.Duration
	var packets [][]byte
	for i := range 300 {
		f := numberedFrame(attitude(1, uint32(1000+50*i)), byte(i))
		raw = append(raw, f...)
		at, packets = append(at, time.Duration(i)*50*time.Millisecond), append(packets, flowPacket(t, 45000, 40123, f))
	}
	whole := map[string][]byte{"raw": raw, "pcap": pcapOf(binary.LittleEndian, true, 0, at, packets...)}
	for name, b := range whole {
		read := func(b []byte) (chunks int, data []byte, notes string) {
			t.Helper()
			r, err := OpenReader(bytes.NewReader(b), PastDamage())
			if err != nil {
				t.Fatal(name, err)
			}
			for {
				c, err := r.Next()
				if err != nil {
					return chunks, data, strings.Join(r.Info().Notes(), "; ")
				}
				chunks++
				data = append(data, c.Bytes...)
			}
		}
		n, data, notes := read(b)
		if strings.Contains(notes, "gzip") {
			t.Errorf("%s: %s", name, notes)
		}
		z := packed(t, b)
		if m, got, notes := read(z); m != n || !bytes.Equal(got, data) || !strings.Contains(notes, "compressed with gzip, and read unpacked: ") {
			t.Errorf("%s: %d chunks, want %d; %s", name, m, n, notes)
		}
		if _, got, notes := read(z[:len(z)/2]); len(got) == 0 || !bytes.HasPrefix(data, got[:100]) || !strings.Contains(notes, "broken off or damaged") {
			t.Errorf("%s, cut: %d bytes; %s", name, len(got), notes)
		}
		z[len(z)-6] ^= 1 // its checksum
		if _, got, notes := read(z); !bytes.Equal(got, data) || !strings.Contains(notes, "broken off or damaged") {
			t.Errorf("%s, damaged: %d bytes; %s", name, len(got), notes)
		}
	}
	if _, err := OpenReader(bytes.NewReader(packed(t, packed(t, raw)))); err == nil || !strings.Contains(err.Error(), "packed twice") {
		t.Errorf("packed twice: %v", err)
	}
}

// What unpacks without end is refused, not read for ever.
func TestWhatUnpacksWithoutEndIsRefused(t *testing.T) {
	z := &unpacked{n: mostUnpacked - 5}
	var err error
	if z.in, err = gzip.NewReader(bytes.NewReader(packed(t, make([]byte, 10)))); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadAll(z); err == nil || !strings.Contains(err.Error(), "more than 4 GB") {
		t.Errorf("%v", err)
	}
}
