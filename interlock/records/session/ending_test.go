//go:build linux

package session

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"
)

// keep writes lines as a guard does: the note of the state it comes up in, and another when
// one says a state or the end. It closes the session.
func keep(t testing.TB, s *Session, lines ...triplog.Line) {
	t.Helper()
	check := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	came := "blocked"
	for _, e := range s.before.found {
		if up := e.ComesUp(); up != "" && came != "fault" {
			came = up
		}
	}
	check(s.Remember(came, false))
	for _, line := range lines {
		check(s.Trips.Append(line, true))
		state := line.State
		var d struct{ Kind, State string }
		if json.Unmarshal(line.Decision, &d) == nil && d.Kind == "state" && state == "" {
			state = d.State
		}
		if state != "" || line.Kind == triplog.KindEnded {
			check(s.Remember(state, line.Kind == triplog.KindEnded))
		}
	}
	check(s.Close())
}

// Unfinished is what the next session would find.
func Unfinished(logFolder string) ([]Ending, error) {
	m, err := recall(logFolder, &meta)
	return m.found, err
}

// TestPromise05_TellsHowTheLastSessionEnded: without its end record, in a trip
// or in a fault, the next session comes up tripped or in fault.
func TestPromise05_TellsHowTheLastSessionEnded(t *testing.T) {
	ended := triplog.Line{At: 9 * time.Second, Kind: triplog.KindEnded}
	state := func(s string) triplog.Line { return triplog.Line{At: time.Second, Kind: triplog.KindHost, State: s} }
	decided := func(d string) triplog.Line {
		return triplog.Line{At: 2 * time.Second, Kind: triplog.KindDecision, Decision: []byte(d)}
	}
	trip := decided(`{"at_ns":2,"kind":"state","from":"live","state":"tripped"}`)
	reset := decided(`{"at_ns":3,"kind":"state","from":"tripped","state":"blocked"}`)
	lamp := decided(`{"at_ns":3,"kind":"lamp","state":"fault"}`)
	for _, c := range []struct {
		what  string
		lines []triplog.Line
		spoil func(text []byte) []byte
		how   How
		up    string
	}{
		{"in order", []triplog.Line{state("live"), ended}, nil, Clean, ""},
		{"trip, reset, in order", []triplog.Line{trip, reset, ended}, nil, Clean, ""},
		{"a lamp is no state", []triplog.Line{lamp, ended}, nil, Clean, ""},
		{"nothing at all", nil, nil, NotEnded, "tripped"},
		{"live and gone", []triplog.Line{state("live")}, nil, NotEnded, "tripped"},
		{"tripped, then in order", []triplog.Line{trip, ended}, nil, InTrip, "tripped"},
		{"tripped and gone", []triplog.Line{state("live"), state("tripped")}, nil, InTrip, "tripped"},
		{"fault, then in order", []triplog.Line{state("fault"), ended}, nil, InFault, "fault"},
		{"fault and gone", []triplog.Line{state("fault")}, nil, InFault, "fault"},
		{"torn", []triplog.Line{state("live"), ended}, func(b []byte) []byte { return b[:len(b)-9] }, Mismatch, "tripped"},
		{"tampered", []triplog.Line{state("live"), ended}, func(b []byte) []byte { return bytes.Replace(b, []byte("live"), []byte("dead"), 1) }, Mismatch, "tripped"},
		{"torn behind what was noted", []triplog.Line{state("live"), {At: 2 * time.Second, Kind: triplog.KindNote, Text: "wind is up"}}, func(b []byte) []byte { return b[:len(b)-9] }, NotEnded, "tripped"},
		{"emptied", []triplog.Line{ended}, func([]byte) []byte { return nil }, Mismatch, "tripped"},
	} {
		logs := t.TempDir()
		s := create(t, logs)
		keep(t, s, c.lines...)
		name := filepath.Join(s.Dir, "trips.jsonl")
		if c.spoil != nil {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, c.spoil(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		endings, err := Unfinished(logs)
		if err != nil {
			t.Fatal(err)
		}
		if c.how == Clean {
			if len(endings) != 0 {
				t.Errorf("%s: %+v", c.what, endings)
			}
			continue
		}
		if len(endings) != 1 || endings[0].How != c.how || endings[0].ComesUp() != c.up || !strings.Contains(endings[0].Says, s.Info.Session) {
			t.Errorf("%s: %+v, want %s", c.what, endings, c.how)
		}
	}
}

// TestPromise05_AFaultOutlivesASessionThatSaidNothing: the power goes while the
// next guard starts, before its first line is on disk, and once more.
func TestPromise05_AFaultOutlivesASessionThatSaidNothing(t *testing.T) {
	logs := t.TempDir()
	one := func(lines ...triplog.Line) {
		s := create(t, logs)
		keep(t, s, lines...)
	}
	up := func() (worst string) {
		endings, err := Unfinished(logs)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range endings {
			if worst != "fault" {
				worst = e.ComesUp()
			}
		}
		return worst
	}
	one(triplog.Line{Kind: triplog.KindHost, State: "fault"})
	one()
	one()
	if up() != "fault" {
		t.Errorf("comes up %q behind two that said nothing, want fault", up())
	}
	one(triplog.Line{Kind: triplog.KindHost, State: "tripped"}) // it was mended and reset in between
	one()
	if up() != "tripped" {
		t.Errorf("comes up %q, want tripped", up())
	}
	one(triplog.Line{Kind: triplog.KindEnded, State: "blocked"})
	if up() != "" {
		t.Errorf("comes up %q after one that ended in order", up())
	}
}

// TestPromise07_LatestByNumberNotByClock: the session before last tripped, and
// the last one, by a clock that had lost its battery, ended in order.
//
//fault:row the wall clock is stepped, or was never set | only printed times change; the latest session is found by its number
func TestPromise07_LatestByNumberNotByClock(t *testing.T) {
	logs := t.TempDir()
	one := func(wall time.Time, lines ...triplog.Line) {
		m := meta
		m.Wall = wall
		s, err := Create(logs, m, threeFiles)
		if err != nil {
			t.Fatal(err)
		}
		keep(t, s, lines...)
	}
	tripped := triplog.Line{Kind: triplog.KindHost, State: "tripped"}
	one(meta.Wall, tripped)
	one(time.Unix(5, 0), triplog.Line{Kind: triplog.KindEnded, State: "blocked"})
	if endings, err := Unfinished(logs); err != nil || len(endings) != 0 {
		t.Errorf("%+v %v, want nothing: the latest ended in order", endings, err)
	}
	one(time.Unix(6, 0), tripped)
	if endings, err := Unfinished(logs); err != nil || len(endings) != 1 || endings[0].How != InTrip {
		t.Errorf("%+v %v", endings, err)
	}
}

// TestUnfinished_Unreadable: a session whose own page is damaged counts as
// unfinished until somebody moves it away; a stray folder does not.
//
//fault:row the page of a session is damaged | it counts as broken off
func TestUnfinished_Unreadable(t *testing.T) {
	logs := t.TempDir()
	if endings, err := Unfinished(logs); err != nil || len(endings) != 0 {
		t.Fatalf("an empty folder: %+v %v", endings, err)
	}
	if err := os.Mkdir(filepath.Join(logs, "photos"), 0o755); err != nil {
		t.Fatal(err)
	}
	s := create(t, logs)
	keep(t, s, triplog.Line{Kind: triplog.KindEnded})
	if err := os.WriteFile(filepath.Join(s.Dir, "session.json"), []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	endings, err := Unfinished(logs)
	if err != nil || len(endings) != 1 || endings[0].How != Mismatch || endings[0].ComesUp() != "tripped" || !strings.Contains(endings[0].Says, "is damaged") {
		t.Errorf("%+v %v", endings, err)
	}
	// Without the note every such page counts, whichever session it was.
	if err := os.Remove(filepath.Join(logs, noteName)); err != nil {
		t.Fatal(err)
	}
	endings, err = Unfinished(logs)
	if err != nil || len(endings) != 2 || endings[1].How != Unreadable || endings[1].ComesUp() != "tripped" || !strings.Contains(endings[1].Says, "move it out") {
		t.Errorf("%+v %v", endings, err)
	}
}

// A session that only watched held no relay: whether it ended in order or not,
// it hides nothing of the one before that did hold one, and says nothing itself.
func TestPromise05_WatchingHidesNoTrip(t *testing.T) {
	logs := t.TempDir()
	one := func(duty, state string) {
		m := meta
		m.Duty = duty
		s, err := Create(logs, m, threeFiles)
		if err != nil {
			t.Fatal(err)
		}
		var lines []triplog.Line
		if state != "" {
			lines = append(lines, triplog.Line{Kind: triplog.KindEnded, State: state})
		}
		keep(t, s, lines...)
	}
	one(DutyWatch, "") // broke off
	if endings, err := Unfinished(logs); err != nil || len(endings) != 0 {
		t.Errorf("%+v %v, want nothing of a session that only watched", endings, err)
	}
	one("", "tripped")
	one(DutyWatch, "blocked")
	if endings, err := Unfinished(logs); err != nil || len(endings) != 1 || endings[0].How != InTrip {
		t.Errorf("%+v %v, want the trip of the session before", endings, err)
	}
}
