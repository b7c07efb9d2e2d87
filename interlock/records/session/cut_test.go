//go:build linux

package session

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"
)

// The power cut at every single byte of a log, the rest of the file gone or left
// as zeros: the next start comes up latched, and in fault where the last whole
// line says so. Only the whole log counts as ended in order.
//
//fault:row the power is cut at every byte of the log | the next start comes up latched
func TestPromise05_PowerCutAtEveryByte(t *testing.T) {
	if testing.Short() {
		t.Skip("writes thousands of files; left out by -short")
	}
	logs := t.TempDir()
	s := create(t, logs)
	for _, line := range []triplog.Line{
		{At: 1, Kind: triplog.KindHost, State: "live"},
		{At: time.Second, Kind: triplog.KindDecision, State: "tripped", Decision: []byte(`{"at_ns":2,"kind":"state","from":"live","state":"tripped"}`)},
		{At: 2 * time.Second, Kind: triplog.KindDecision, State: "fault", Decision: []byte(`{"at_ns":3,"kind":"state","from":"tripped","state":"fault"}`)},
		{At: 3 * time.Second, Kind: triplog.KindDecision, State: "blocked", Decision: []byte(`{"at_ns":4,"kind":"state","from":"fault","state":"blocked"}`)},
		{At: 4 * time.Second, Kind: triplog.KindEnded, State: "blocked"},
	} {
		if err := s.Trips.Append(line, true); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(s.Dir, "trips.jsonl")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	faults := 0
	for cut := range len(text) + 1 {
		for _, zeros := range []bool{false, true} {
			left := text[:cut]
			if zeros {
				left = append(append([]byte(nil), left...), make([]byte, len(text)-cut)...)
			}
			if err := os.WriteFile(name, left, 0o644); err != nil {
				t.Fatal(err)
			}
			e, err := s.Ending()
			if err != nil {
				t.Fatal(err)
			}
			switch up := e.ComesUp(); {
			case cut == len(text) && up != "":
				t.Fatalf("the whole log comes up %q", up)
			case cut < len(text) && up != "tripped" && up != "fault":
				t.Fatalf("cut at %d of %d (zeros %v): it counts as %s and comes up %q", cut, len(text), zeros, e.How, up)
			case (e.State == "fault") != (up == "fault"):
				t.Fatalf("cut at %d (zeros %v): it comes up %q after %q", cut, zeros, up, e.State)
			case up == "fault":
				faults++
			}
		}
	}
	if faults == 0 {
		t.Error("no cut left a fault behind")
	}
	t.Logf("%d cuts, %d left in fault", 2*(len(text)+1), faults)
}
