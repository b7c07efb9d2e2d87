package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/layers"
	"pgregory.net/rapid"
)

func TestCaptureTime(t *testing.T) {
	const s = int64(time.Second)
	type step struct {
		ns   int64
		want time.Duration
	}
	for _, row := range []struct {
		what     string
		steady   bool
		steps    []step
		backward uint64
		set      uint64
		by       time.Duration
	}{
		{"steady", false, []step{{100 * s, 0}, {101 * s, time.Second}, {104 * s, 4 * time.Second}}, 0, 0, 0},
		{"out of order", false, []step{{100 * s, 0}, {102 * s, 2 * time.Second}, {101 * s, 2 * time.Second}, {103 * s, 3 * time.Second}}, 1, 0, 0},
		{"one wild time", false, []step{{100 * s, 0}, {9 * s, 0}, {101 * s, time.Second}, {90000 * s, time.Second}, {102 * s, 2 * time.Second}}, 2, 0, 0},
		{"two wild times that do not agree", false, []step{{1000 * s, 0}, {9 * s, 0}, {500 * s, 0}, {1001 * s, time.Second}}, 2, 0, 0},
		{"set back by an hour", false, []step{{10000 * s, 0}, {10001 * s, time.Second}, {6402 * s, time.Second}, {6403 * s, 2 * time.Second}, {6405 * s, 4 * time.Second}}, 1, 1, -3599 * time.Second},
		{"half an hour of silence is one", false, []step{{100 * s, 0}, {1900 * s, 1800 * time.Second}}, 0, 0, 0},
		{"ahead by a day", false, []step{{100 * s, 0}, {86500 * s, 0}, {86501 * s, 3601 * time.Second}, {86502 * s, 3602 * time.Second}}, 1, 1, 86400 * time.Second},
		{"our own hears nothing for a day", true, []step{{100 * s, 0}, {86500 * s, 86400 * time.Second}}, 0, 0, 0},
	} {
		var c captureTime
		for i, st := range row.steps {
			if got := c.see(st.ns, row.steady, uint64(i+1)); got != st.want {
				t.Errorf("%s: packet %d at %v, want %v", row.what, i+1, got, st.want)
			}
		}
		if c.backward != row.backward || c.set != row.set || row.set > 0 && (len(c.jumps) != 1 || c.jumps[0].By != row.by) {
			t.Errorf("%s: %d took the time before, set %d times, %+v", row.what, c.backward, c.set, c.jumps)
		}
	}
}

// Whatever a capture's clock says, engine time never runs back.
func TestPromise07_CaptureTimeNeverRunsBack(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var c captureTime
		steady := rapid.Bool().Draw(r, "steady")
		last := time.Duration(0)
		for _, ns := range rapid.SliceOf(rapid.OneOf(rapid.Int64Range(0, 1<<40), rapid.Int64())).Draw(r, "times") {
			if got := c.see(ns, steady, 1); got < last {
				r.Fatalf("%v after %v", got, last)
			} else {
				last = got
			}
		}
	})
}

// A capture whose clock was set says where, by how much and how it is taken.
func TestForeign_SaysWhereItsClockWasSet(t *testing.T) {
	p := packetOf(t, layers.LinkTypeRaw, false, "x")
	at := []time.Duration{4 * time.Hour, 4*time.Hour + 2*time.Second, time.Hour, time.Hour + time.Second, 40 * time.Hour, 40*time.Hour + time.Second}
	r, err := OpenReader(bytes.NewReader(pcapOf(binary.LittleEndian, false, 101, at, p, p, p, p, p, p)))
	if err != nil {
		t.Fatal(err)
	}
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) || len(all) != 6 {
		t.Fatalf("%d chunks, %v", len(all), err)
	}
	if last := all[5].At; last != 3*time.Second+mostSilence+time.Second {
		t.Errorf("the end is at %v", last)
	}
	notes := strings.Join(r.Info().Notes(), "\n")
	for _, want := range []string{"was set back by 3h0m2s at 2.000 s (packet 4)", "goes ahead by 38h59m59s at 3.000 s (packet 6)", "a silence of 1h0m0s"} {
		if !strings.Contains(notes, want) {
			t.Errorf("the notes do not say %q:\n%s", want, notes)
		}
	}
}

// Raw bytes say where the craft's clock began anew.
func TestRaw_SaysWhereTheClockBeganAnew(t *testing.T) {
	r, err := OpenReader(bytes.NewReader(join(attitude(1, 50_000), attitude(1, 51_000), attitude(1, 100), attitude(1, 200), attitude(1, 300))))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := drain(t, r); !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	notes := strings.Join(r.Info().Notes(), "\n")
	if !strings.Contains(notes, "began anew at 1.000 s") || r.Info().Restarts != 1 {
		t.Errorf("notes:\n%s", notes)
	}
}
