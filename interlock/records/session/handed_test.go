//go:build linux

package session

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// handOn begins and ends a session that hands facts on; it returns its folder.
func handOn(t *testing.T, logs, facts string, ended bool) string {
	t.Helper()
	s := create(t, logs)
	fix(t, s.HandOn(json.RawMessage(facts)), s.Remember("blocked", false))
	if ended {
		fix(t, s.Trips.Append(endedIn("blocked"), true), s.Remember("blocked", true))
	}
	fix(t, s.Close())
	return s.Dir
}

// What a session hands on reaches the next start, however it ended, with the session
// itself to be read on top. Whatever is missing, stale, foreign or not as it was noted
// has all of them read, with the reason: nothing that is told there counts.
//
//fault:row what the start hands on to the next is deleted, cut, edited, older, of another folder or of a newer version; session folders are put in or taken away | all sessions are read, and it is said why
func TestWhatIsHandedOnCountsOnlyWhereAllIsAsItWasNoted(t *testing.T) {
	const facts = `{"told":"<b> & more"}`
	note := func(logs string) string { return filepath.Join(logs, noteName) }
	read := func(name string) []byte {
		text, err := os.ReadFile(name)
		fix(t, err)
		return text
	}
	for _, c := range []struct {
		what string
		do   func(t *testing.T, logs, oldest, last string)
		why  string
		on   int // so many later sessions are read on top as well
	}{
		{"nothing done", func(*testing.T, string, string, string) {}, "", 0},
		{"other folders and files beside them", func(t *testing.T, logs, _, _ string) {
			fix(t, os.Mkdir(filepath.Join(logs, "stop"), 0o755), os.WriteFile(filepath.Join(logs, "guard.sock"), nil, 0o600))
		}, "", 0},
		{"note deleted", func(t *testing.T, logs, _, _ string) { fix(t, os.Remove(note(logs))) }, "no note", 0},
		{"note cut", func(t *testing.T, logs, _, _ string) { fix(t, os.Truncate(note(logs), 100)) }, "no note", 0},
		{"facts edited", func(t *testing.T, logs, _, _ string) {
			alter(t, note(logs), func(text string) string { return strings.Replace(text, "more", "less", 1) })
		}, "no note", 0},
		{"facts taken out", func(t *testing.T, logs, _, _ string) {
			alter(t, note(logs), func(text string) string {
				a, b := strings.Index(text, `"carried"`), strings.Index(text, `"sha256"`)
				return text[:a] + text[b:]
			})
		}, "no note", 0},
		{"note of an older day", func(t *testing.T, logs, _, _ string) {
			old := read(note(logs))
			handOn(t, logs, `{"told":"newer"}`, true)
			fix(t, os.Remove(note(logs)), os.WriteFile(note(logs), old, 0o644))
		}, "", 1},
		{"note of another folder", func(t *testing.T, logs, _, _ string) {
			other := t.TempDir()
			s := begun(t, other, dated(meta, 0), facts)
			ended(t, s, "blocked")
			fix(t, os.WriteFile(note(logs), read(note(other)), 0o644))
		}, "does not match", 0},
		{"an old session deleted", func(t *testing.T, _, oldest, _ string) { fix(t, os.RemoveAll(oldest)) }, "put in or taken away", 0},
		{"an old session renamed", func(t *testing.T, logs, oldest, _ string) {
			fix(t, os.Rename(oldest, filepath.Join(logs, "2020-01-01T00-00-00Z-s0001")))
		}, "put in or taken away", 0},
		{"an old session moved out, a strange one in", func(t *testing.T, logs, oldest, last string) {
			fix(t, os.RemoveAll(oldest), os.CopyFS(filepath.Join(logs, "2020-01-01T00-00-00Z-s0001"), os.DirFS(last)))
		}, "put in or taken away", 0},
		{"one that never noted itself", func(t *testing.T, logs, _, _ string) { fix(t, create(t, logs).Close()) }, "", 1},
		{"the last session deleted", func(t *testing.T, _, _, last string) { fix(t, os.RemoveAll(last)) }, "does not match", 0},
		{"the last log written anew", func(t *testing.T, _, _, last string) {
			s, err := Open(last)
			fix(t, err)
			anew(t, s, said("live"), endedIn("blocked"))
		}, "does not match", 0},
	} {
		for _, ended := range []bool{true, false} {
			logs := t.TempDir()
			oldest := handOn(t, logs, `{}`, true)
			last := handOn(t, logs, facts, ended)
			c.do(t, logs, oldest, last)
			s := create(t, logs)
			got, top, why := s.Since()
			switch {
			case c.why == "" && (!sameJSON(got, facts) || len(top) != 1+c.on || top[0].Dir != last || why != ""):
				t.Errorf("%s, ended %v: facts %s on top of %v: %s", c.what, ended, got, top, why)
			case c.why != "" && (got != nil || len(top) > 0 || !strings.Contains(why, c.why)):
				t.Errorf("%s, ended %v: facts %s: %q, want %q", c.what, ended, got, why, c.why)
			}
			// The next has what this one hands on.
			fix(t, s.HandOn(json.RawMessage(`{"told":"anew"}`)), s.Remember("blocked", false), s.Close())
			n := create(t, logs)
			if got, top, why := n.Since(); !sameJSON(got, `{"told":"anew"}`) || top[0].Dir != s.Dir {
				t.Errorf("%s, ended %v: behind it %s: %s", c.what, ended, got, why)
			}
			fix(t, n.Close())
		}
	}
}

func sameJSON(a []byte, b string) bool {
	var x, y any
	return json.Unmarshal(a, &x) == nil && json.Unmarshal([]byte(b), &y) == nil && fmt.Sprint(x) == fmt.Sprint(y)
}

// A folder's first start has nothing to read and nothing to say; a note of the version
// before, which hands nothing on, has all read, and trips nothing.
func TestNoteThatHandsNothingOn(t *testing.T) {
	logs := t.TempDir()
	s := create(t, logs)
	if facts, top, why := s.Since(); facts != nil || len(top) > 0 || why != "" {
		t.Errorf("a first start: %s, %v, %q", facts, top, why)
	}
	keep(t, s, endedIn("blocked"))
	alter(t, filepath.Join(logs, noteName), func(text string) string {
		var n note
		fix(t, json.Unmarshal([]byte(text), &n))
		n.V = 1
		var err error
		n.SHA256, err = n.sum()
		fix(t, err)
		out, err := json.MarshalIndent(n, "", "  ")
		fix(t, err)
		return string(out)
	})
	s = create(t, logs)
	if facts, _, why := s.Since(); facts != nil || !strings.Contains(why, "carries nothing") || len(s.Before()) != 0 {
		t.Errorf("behind version 1: %s, %q, %v", facts, why, s.Before())
	}
	// Too much is left out, and the note can be read.
	fix(t, s.HandOn(strings.Repeat("x", mostFacts+1)), s.Remember("blocked", false), s.Close())
	s = create(t, logs)
	if facts, _, why := s.Since(); facts != nil || !strings.Contains(why, "carries nothing") {
		t.Errorf("behind too much: %d bytes, %q", len(facts), why)
	}
	fix(t, s.Close())
}
