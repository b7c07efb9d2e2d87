//go:build linux

package session

import (
	"reflect"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"
)

// What was declared and run comes back from the trip log as it was, and nobody
// can put words that look like it on record by a mark.
func TestStoryComesBackFromTheLog(t *testing.T) {
	logs := t.TempDir()
	s := create(t, logs)
	wind := 2.5
	declarations := []Declaration{
		{What: DeclaredStep, Step: `quote " and \`, By: "ab (user 7)"},
		{What: DeclaredPacks, Packs: []string{"A", "B"}, By: "ab (user 7)"},
		{What: DeclaredWind, Wind: &wind, Value: "2.5 m/s", By: "ab (user 7)"},
		{What: DeclaredInspection, Step: "fasteners", Value: "pass", Passed: true, Initials: "AB", By: "ab (user 7)"},
	}
	at := time.Second
	put := func(kind triplog.Kind, text string) {
		at += time.Second
		if err := s.Trips.Append(triplog.Line{At: at, Kind: kind, Text: text}, false); err != nil {
			t.Fatal(err)
		}
	}
	for i := range declarations {
		put(triplog.KindHost, declarations[i].Text())
	}
	fake := Declaration{What: DeclaredStep, Step: "fake", By: "root"}
	put(triplog.KindHost, "mark: "+fake.Text())
	put(triplog.KindNote, fake.Text())
	first := Run{Number: 1, Step: "a", Packs: []string{"A"}, Envelope: "e", Card: "c"}
	put(triplog.KindNote, first.BeginText())
	ended := first
	ended.Trips, ended.How, ended.Ended = 2, "tripped", true
	put(triplog.KindNote, ended.EndText())
	second := Run{Number: 2, Step: "b", Packs: []string{}}
	put(triplog.KindNote, second.BeginText())
	put(triplog.KindHost, second.EndText())
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	story, err := s.Story()
	if err != nil {
		t.Fatal(err)
	}
	wall := func(at time.Duration) time.Time { return s.Info.Wall.Add(at) }
	for i := range declarations {
		declarations[i].At = time.Duration(i+2) * time.Second
		declarations[i].Wall = wall(declarations[i].At)
	}
	ended.After, second.After = len(declarations), len(declarations)
	ended.Begin, ended.End, ended.Wall = 8*time.Second, 9*time.Second, wall(8*time.Second)
	second.Begin, second.Wall = 10*time.Second, wall(10*time.Second)
	want := Story{Declarations: declarations, Runs: []Run{ended, second}}
	if !reflect.DeepEqual(story, want) {
		t.Errorf("got  %+v\nwant %+v", story, want)
	}
	sessions, trouble, err := Earlier(logs, "")
	if err != nil || len(sessions) != 1 || len(trouble) != 0 {
		t.Errorf("earlier sessions: %v, %v, %v", sessions, trouble, err)
	}
}
