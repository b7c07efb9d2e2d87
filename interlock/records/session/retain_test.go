//go:build linux

package session

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"
)

// old makes a session that began on day number day, with those lines in its log.
func old(t *testing.T, logs string, day int, duty string, lines ...triplog.Line) string {
	t.Helper()
	s, err := Create(logs, Meta{Software: "test", Wall: dayOf(day), Duty: duty, Room: 1}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines {
		if err := s.Trips.Append(line, true); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return s.Dir
}

// retained removes what may go, as a session does at its end.
func retained(logs string, keep Keep, now time.Time) []string {
	s := Session{keep: keep, facts: []byte("{}")}
	n := note{V: noteVersion, Number: 1, Last: noted{Session: "s", Number: 1}, Carried: &carried{Facts: s.facts}}
	if err := n.write(logs); err != nil {
		return []string{err.Error()}
	}
	s.retain(logs, now, "")
	return s.Retained
}

func dayOf(n int) time.Time { return time.Date(2031, 1, 1, 9, 0, 0, 0, time.UTC).AddDate(0, 0, n) }

var (
	inOrder = triplog.Line{At: 9 * time.Second, Kind: triplog.KindEnded, State: "blocked"}
	oneTrip = triplog.Line{At: 2 * time.Second, Kind: triplog.KindDecision, Decision: []byte(`{"at_ns":2,"kind":"trip","trip":1,"first_out":true}`)}
)

func there(dir string) bool {
	_, err := os.Stat(dir)
	return err == nil
}

func TestRetainByAge(t *testing.T) {
	logs := t.TempDir()
	calm := old(t, logs, 0, "", inOrder)
	trip := old(t, logs, 1, "", oneTrip, inOrder)
	told := old(t, logs, 2, "", oneTrip, inOrder)
	brokeOff := old(t, logs, 3, "")
	damaged := old(t, logs, 4, "", oneTrip, inOrder)
	guard := old(t, logs, 5, "", inOrder)
	var late []string
	for day := range leastSessions {
		late = append(late, old(t, logs, 6+day, DutyWatch, inOrder))
	}
	s, err := Open(told)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := s.Ending(); err != nil || e.Trips != 1 {
		t.Fatalf("%d trips, %v", e.Trips, err)
	}
	fix(t, os.WriteFile(filepath.Join(told, ReportedName), []byte(`{"v":1,"trips":1}`), 0o644))
	name := filepath.Join(damaged, triplog.PartName(1))
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(strings.Replace(string(text), "trip", "trap", 1)), 0o644); err != nil {
		t.Fatal(err)
	}

	if says := retained(logs, Keep{}, dayOf(400)); len(says) != 0 {
		t.Fatalf("nothing asked for: %v", says)
	}
	says := retained(logs, Keep{Age: 30 * 24 * time.Hour}, dayOf(400))
	for dir, stays := range map[string]bool{calm: false, trip: true, told: true, brokeOff: true, damaged: true, guard: true} {
		if there(dir) != stays {
			t.Errorf("%s: there %v, want %v\n%s", filepath.Base(dir), there(dir), stays, strings.Join(says, "\n"))
		}
	}
	if there(filepath.Join(told, "recording.pcapng")) || !there(filepath.Join(trip, "recording.pcapng")) {
		t.Errorf("the wrong recordings were removed\n%s", strings.Join(says, "\n"))
	}
	for _, dir := range late {
		if !there(dir) {
			t.Errorf("%s is one of the latest, and gone", filepath.Base(dir))
		}
	}
	all := strings.Join(says, "\n")
	for _, want := range []string{"was removed: 400 days old", "1 trips that nobody has reported on", "it broke off, and nobody has reported on it", "cannot be read to the end"} {
		if !strings.Contains(all, want) {
			t.Errorf("it does not say %q:\n%s", want, all)
		}
	}
	// A trip that came after the report is one that nobody has reported on.
	s, err = Open(trip)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(trip, ReportedName), []byte(`{"v":1,"trips":0}`), 0o644); err != nil {
		t.Fatal(err)
	}
	if why := s.mustStay(); !strings.Contains(why, "1 trips") {
		t.Errorf("reported on before its trip: %q", why)
	}
	// Neither a clock that was never set nor one before them takes anything.
	if says := retained(logs, Keep{Age: time.Hour}, time.Unix(0, 0)); len(says) != 0 {
		t.Errorf("by a clock that is not set: %v", says)
	}
}

func TestRetainBySize(t *testing.T) {
	logs := t.TempDir()
	var all []string
	for day := range leastSessions + 4 {
		dir := old(t, logs, day, "", inOrder)
		if err := os.WriteFile(filepath.Join(dir, "recording-2.pcapng"), make([]byte, 1<<20), 0o644); err != nil {
			t.Fatal(err)
		}
		all = append(all, dir)
	}
	// Nine of a megabyte and a little: two must go for eight.
	retained(logs, Keep{Bytes: 8 << 20}, dayOf(20))
	for i, dir := range all {
		if there(dir) != (i >= 2) {
			t.Errorf("session %d: there %v", i, there(dir))
		}
	}
	retained(logs, Keep{Bytes: 1}, dayOf(20))
	for i, dir := range all {
		if there(dir) != (i >= 4) {
			t.Errorf("far too large, session %d: there %v", i, there(dir))
		}
	}
}

// A removal that was broken off is finished, and never counts as a session.
func TestRetainFinishesWhatWasBrokenOff(t *testing.T) {
	logs := t.TempDir()
	dir := old(t, logs, 0, "")
	half := filepath.Join(logs, removing+filepath.Base(dir))
	if err := os.Rename(dir, half); err != nil {
		t.Fatal(err)
	}
	if endings, err := Unfinished(logs); err != nil || len(endings) != 0 {
		t.Errorf("half a session counts: %v %v", endings, err)
	}
	if says := retained(logs, Keep{Age: time.Hour}, dayOf(0)); len(says) > 0 || there(half) {
		t.Errorf("still there: %v %v", there(half), says)
	}
	if says := fmt.Sprint(retained(filepath.Join(logs, "none"), Keep{Age: time.Hour}, dayOf(1))); !strings.Contains(says, "no such") {
		t.Errorf("no folder: %s", says)
	}
}
