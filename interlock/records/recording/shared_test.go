package recording

import (
	"bytes"
	"errors"
	"io"
	"os"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules/architecture"
)

// outside opens data that nobody in this project made.
func outside(t testing.TB, name string) string {
	t.Helper()
	return architecture.Data(t, "telemetry/"+name)[0]
}

// drain reads to the end; each chunk's bytes are copied.
func drain(t testing.TB, r *Reader) ([]intake.Chunk, error) {
	t.Helper()
	var all []intake.Chunk
	for {
		c, err := r.Next()
		if err != nil {
			if _, again := r.Next(); again != err {
				t.Errorf("after %v Next gave %v", err, again)
			}
			return all, err
		}
		if n := len(all); n > 0 && c.At < all[n-1].At {
			t.Fatalf("time ran back from %v to %v", all[n-1].At, c.At)
		}
		c.Bytes = bytes.Clone(c.Bytes)
		all = append(all, *c)
	}
}

// TestOutside_RealCapture: 11,701 frames, one per datagram to port 40123, over
// 197.3 s (the note beside the data).
func TestOutside_RealCapture(t *testing.T) {
	r, err := Open(outside(t, "quad-crash-then-mission.pcap"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	info := r.Info()
	if len(all) != 11701 || info.Form != PCAP || info.Own || info.Chunks != 11701 {
		t.Fatalf("%d chunks, info %+v", len(all), info)
	}
	if !slices.Equal(info.Ports, []uint16{40123}) {
		t.Errorf("ports %+v", info.Ports)
	}
	if d := info.Span - 197300*time.Millisecond; d < -100*time.Millisecond || d > 100*time.Millisecond {
		t.Errorf("span %v, want 197.3 s", info.Span)
	}
	var s telemetry.Scanner
	for _, c := range all {
		if used, ok := s.NextInto(new(telemetry.Frame), c.Bytes, true); !ok || used != len(c.Bytes) {
			t.Fatalf("chunk %d is not one frame: % x", c.Seq, c.Bytes)
		}
	}
	if c := all[0]; c.From.String() != "127.0.0.1:45000" || c.To.String() != "127.0.0.1:40123" || c.Seq != 1 || c.At != 0 {
		t.Errorf("first chunk %+v", c)
	}
}

// TestOutside_LossyRaw: 8,681 good frames, 52,356 other bytes, 111.9 s by the
// messages' own clock (the note beside the data).
func TestOutside_LossyRaw(t *testing.T) {
	name := outside(t, "sim-lossy.raw")
	r, err := Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	info := r.Info()
	if info.Form != Raw || info.Frames != 8681 || info.BadBytes != 52356 || !info.Timed {
		t.Errorf("info %+v", info)
	}
	if d := info.Span - 111900*time.Millisecond; d < -100*time.Millisecond || d > 100*time.Millisecond {
		t.Errorf("span %v, want 111.9 s", info.Span)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var joined []byte
	for _, c := range all {
		joined = append(joined, c.Bytes...)
	}
	if !bytes.Equal(joined, text) {
		t.Error("the chunks together are not the file")
	}
	t.Logf("%d chunks, notes %q", len(all), info.Notes())
}
