//go:build linux

package session

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"

	"golang.org/x/sys/unix"
)

func said(state string) triplog.Line {
	return triplog.Line{At: time.Second, Kind: triplog.KindHost, State: state}
}

func endedIn(state string) triplog.Line {
	return triplog.Line{At: 9 * time.Second, Kind: triplog.KindEnded, State: state}
}

// fix makes what the test itself does must succeed.
func fix(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// alter changes a file's text.
func alter(t testing.TB, name string, change func(string) string) {
	t.Helper()
	text, err := os.ReadFile(name)
	fix(t, err)
	after := change(string(text))
	if after == string(text) {
		t.Fatalf("%s: nothing was changed", name)
	}
	fix(t, os.WriteFile(name, []byte(after), 0o644))
}

// starRemoved removes what `rm -rf LOGS/*` does.
func starRemoved(t testing.TB, logs string) {
	t.Helper()
	entries, err := os.ReadDir(logs)
	fix(t, err)
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			fix(t, os.RemoveAll(filepath.Join(logs, e.Name())))
		}
	}
}

// anew writes a session's trip log once more as somebody could who has this
// program: a chain that holds, with the lines that suit him.
func anew(t testing.TB, s *Session, lines ...triplog.Line) {
	t.Helper()
	fix(t, os.Remove(filepath.Join(s.Dir, triplog.PartName(1))))
	head := triplog.Head{Session: s.Info.Session, Wall: s.Info.Wall, Software: s.Info.Software, Arch: s.Info.Arch}
	for _, f := range s.Info.Files {
		head.Files = append(head.Files, triplog.FileHash{Name: f.Name, SHA256: f.SHA256})
	}
	l, err := triplog.Create(triplog.Folder(s.Dir), head)
	fix(t, err)
	for _, line := range lines {
		fix(t, l.Append(line, true))
	}
	fix(t, l.Close())
}

// TestPromise05_WhatIsMissingOrDoesNotMatchComesUpTripped: a session tripped, or
// ended in order, and then somebody or something takes away or edits what tells
// it. Each is tried as it is, and with a session that only watched in between.
//
//fault:row the folder of the last session is deleted, moved or edited, or the note of it is | the next session comes up tripped, or in fault, and says why
func TestPromise05_WhatIsMissingOrDoesNotMatchComesUpTripped(t *testing.T) {
	if testing.Short() {
		t.Skip("writes thousands of files; left out by -short")
	}
	tripped := []triplog.Line{said("live"), said("tripped"), {At: 2 * time.Second, Kind: triplog.KindNote, Text: "after it"}, endedIn("tripped")}
	clean := []triplog.Line{said("live"), said("blocked"), endedIn("blocked")}
	fault := []triplog.Line{said("live"), said("fault")}
	log := func(s *Session) string { return filepath.Join(s.Dir, triplog.PartName(1)) }
	for _, c := range []struct {
		what  string
		lines []triplog.Line
		do    func(t *testing.T, logs string, s *Session)
		up    string
		says  string
	}{
		{"nothing done", clean, func(*testing.T, string, *Session) {}, "", ""},
		{"folder deleted", tripped, func(t *testing.T, _ string, s *Session) { fix(t, os.RemoveAll(s.Dir)) }, "tripped", "its folder is gone"},
		{"folder deleted, in order", clean, func(t *testing.T, _ string, s *Session) { fix(t, os.RemoveAll(s.Dir)) }, "tripped", "its folder is gone"},
		{"folder deleted, in a fault", fault, func(t *testing.T, _ string, s *Session) { fix(t, os.RemoveAll(s.Dir)) }, "fault", "its folder is gone"},
		{"folder moved out", tripped, func(t *testing.T, _ string, s *Session) {
			fix(t, os.Rename(s.Dir, filepath.Join(t.TempDir(), "x")))
		}, "tripped", "its folder is gone"},
		{"folder renamed", tripped, func(t *testing.T, logs string, s *Session) {
			fix(t, os.Rename(s.Dir, filepath.Join(logs, "2020-01-01T00-00-00Z-s0001")))
		}, "tripped", "its folder is gone"},
		{"folder emptied", tripped, func(t *testing.T, _ string, s *Session) {
			fix(t, os.RemoveAll(s.Dir), os.Mkdir(s.Dir, 0o755))
		}, "tripped", "no session.json"},
		{"a link in its place", clean, func(t *testing.T, logs string, s *Session) {
			other := filepath.Join(t.TempDir(), "x")
			fix(t, os.Rename(s.Dir, other), os.Symlink(other, s.Dir))
		}, "tripped", "no folder"},
		{"duty edited", tripped, func(t *testing.T, _ string, s *Session) {
			alter(t, filepath.Join(s.Dir, infoName), func(text string) string { return strings.Replace(text, `"clocks"`, `"duty": "watch", "clocks"`, 1) })
		}, "tripped", "duty watch"},
		{"duty edited, in order", clean, func(t *testing.T, _ string, s *Session) {
			alter(t, filepath.Join(s.Dir, infoName), func(text string) string { return strings.Replace(text, `"clocks"`, `"duty": "watch", "clocks"`, 1) })
		}, "tripped", "duty watch"},
		{"number edited", tripped, func(t *testing.T, _ string, s *Session) {
			alter(t, filepath.Join(s.Dir, infoName), func(text string) string {
				return strings.Replace(text, fmt.Sprintf(`"number": %d`, s.Info.Number), `"number": 77`, 1)
			})
		}, "tripped", "number 77"},
		{"log cut back to before the trip", tripped, func(t *testing.T, _ string, s *Session) {
			alter(t, log(s), func(text string) string { return strings.Join(strings.SplitAfter(text, "\n")[:2], "") })
		}, "tripped", "cut off"},
		{"log written anew without the trip", tripped, func(t *testing.T, _ string, s *Session) { anew(t, s, clean...) }, "tripped", "written anew"},
		{"log written on behind its end", clean, func(t *testing.T, _ string, s *Session) {
			anew(t, s, append([]triplog.Line{said("live")}, clean...)...)
		}, "tripped", "written anew"},
		{"log and page gone", tripped, func(t *testing.T, _ string, s *Session) { fix(t, os.Remove(log(s))) }, "tripped", "does not stand there"},
		{"log a pipe", clean, func(t *testing.T, _ string, s *Session) {
			fix(t, os.Remove(log(s)), unix.Mkfifo(log(s), 0o644))
		}, "tripped", "a pipe"},
		{"page a pipe", clean, func(t *testing.T, _ string, s *Session) {
			name := filepath.Join(s.Dir, infoName)
			fix(t, os.Remove(name), unix.Mkfifo(name, 0o644))
		}, "tripped", "a pipe"},
		{"broke off in the moment of its end", clean, func(t *testing.T, _ string, s *Session) {
			fix(t, s.Remember("live", false))
		}, "tripped", "never noted one"},
		{"everything deleted that a shell's * takes", tripped, func(t *testing.T, logs string, _ *Session) { starRemoved(t, logs) }, "tripped", "its folder is gone"},
		{"everything deleted that a shell's * takes, in a fault", fault, func(t *testing.T, logs string, _ *Session) { starRemoved(t, logs) }, "fault", "its folder is gone"},
		{"note deleted", clean, func(t *testing.T, logs string, _ *Session) { fix(t, os.Remove(filepath.Join(logs, noteName))) }, "tripped", "no note"},
		{"note deleted after a fault", fault, func(t *testing.T, logs string, _ *Session) { fix(t, os.Remove(filepath.Join(logs, noteName))) }, "fault", "no note"},
		{"note emptied", clean, func(t *testing.T, logs string, _ *Session) {
			alter(t, filepath.Join(logs, noteName), func(string) string { return "" })
		}, "tripped", "damaged"},
		{"note edited", tripped, func(t *testing.T, logs string, _ *Session) {
			alter(t, filepath.Join(logs, noteName), func(text string) string { return strings.ReplaceAll(text, "tripped", "blocked") })
		}, "tripped", "edited"},
		{"note a pipe", clean, func(t *testing.T, logs string, _ *Session) {
			name := filepath.Join(logs, noteName)
			fix(t, os.Remove(name), unix.Mkfifo(name, 0o644))
		}, "tripped", "a pipe"},
		{"note a device", clean, func(t *testing.T, logs string, _ *Session) {
			name := filepath.Join(logs, noteName)
			fix(t, os.Remove(name), os.Symlink("/dev/zero", name))
		}, "tripped", "a device"},
	} {
		for _, watched := range []bool{false, true} {
			logs := t.TempDir()
			keep(t, create(t, logs), clean...)
			s := create(t, logs)
			keep(t, s, c.lines...)
			c.do(t, logs, s)
			if watched {
				m := meta
				m.Duty = DutyWatch
				w, err := Create(logs, m, threeFiles)
				fix(t, err)
				keep(t, w, endedIn("blocked"))
			}
			up, says := comesUp(t, logs)
			if up != c.up || !strings.Contains(says, c.says) {
				t.Errorf("%s, watched in between %v: comes up %q, want %q: %s", c.what, watched, up, c.up, says)
			}
			// One session that ends in order clears it.
			keep(t, create(t, logs), clean...)
			if up, says := comesUp(t, logs); up != "" {
				t.Errorf("%s: still %s after a session that ended in order: %s", c.what, up, says)
			}
		}
	}
}

// comesUp is the worst that earlier sessions leave, with all that is said.
func comesUp(t testing.TB, logs string) (up, says string) {
	t.Helper()
	endings, err := Unfinished(logs)
	fix(t, err)
	for _, e := range endings {
		if e.ComesUp() == "" || e.Says == "" {
			t.Errorf("an ending that leaves nothing, or says nothing: %+v", e)
		}
		if up != "fault" {
			up = e.ComesUp()
		}
		says += e.Says + "\n"
	}
	return up, says
}

// An older note brought back hides nothing of a session that ran since, nor does
// a daemon that was killed before it had noted its session, nor one of an older
// version that noted nothing.
func TestPromise05_ASessionThatTheNoteDoesNotKnow(t *testing.T) {
	logs := t.TempDir()
	keep(t, create(t, logs), endedIn("blocked"))
	name := filepath.Join(logs, noteName)
	old, err := os.ReadFile(name)
	fix(t, err)
	keep(t, create(t, logs), said("live"), endedIn("tripped"))
	fix(t, os.WriteFile(name, old, 0o644))
	if up, says := comesUp(t, logs); up != "tripped" || !strings.Contains(says, "ran after the last one that was noted") {
		t.Errorf("an older note: comes up %q: %s", up, says)
	}
	keep(t, create(t, logs), endedIn("blocked"))
	s := create(t, logs)
	fix(t, s.Close())
	if up, says := comesUp(t, logs); up != "tripped" || !strings.Contains(says, s.Info.Session) {
		t.Errorf("killed before its note: comes up %q: %s", up, says)
	}
	if next := create(t, logs); next.Info.Number != s.Info.Number+1 {
		t.Errorf("the session behind number %d has number %d", s.Info.Number, next.Info.Number)
	} else {
		keep(t, next, endedIn("blocked"))
	}
	copied := filepath.Join(logs, "2026-05-30T19-00-00Z-s0099")
	fix(t, os.CopyFS(copied, os.DirFS(s.Dir)))
	if up, says := comesUp(t, logs); up != "tripped" || !strings.Contains(says, "s0099") {
		t.Errorf("a copy under a later number: comes up %q: %s", up, says)
	}
	if m, err := recall(logs, &meta); err != nil || m.highest != 99 {
		t.Errorf("the newest has number %d, %v", m.highest, err)
	}
}

// Sessions from before the note: the first start says so and comes up tripped, or
// in the fault that the last one ended in.
func TestPromise05_FolderFromBeforeTheNote(t *testing.T) {
	logs := t.TempDir()
	for _, state := range []string{"blocked", "fault", "blocked"} {
		keep(t, create(t, logs), endedIn(state))
		fix(t, os.Remove(filepath.Join(logs, noteName)))
		want := "tripped"
		if state == "fault" {
			want = state
		}
		if up, says := comesUp(t, logs); up != want || !strings.Contains(says, "older version") {
			t.Errorf("after %s comes up %q: %s", state, up, says)
		}
		// And behind one that broke off before it had said its state.
		fix(t, create(t, logs).Close())
		fix(t, os.RemoveAll(filepath.Join(logs, noteName)))
		if up, says := comesUp(t, logs); up != want {
			t.Errorf("after %s, and one that said nothing, comes up %q: %s", state, up, says)
		}
	}
}

// However many old sessions there are, none is opened at a start: here none of
// them could be, and nothing is said of any.
func TestUnfinished_OpensOnlyWhatTheNotePointsTo(t *testing.T) {
	if testing.Short() {
		t.Skip("writes thousands of files; left out by -short")
	}
	logs := t.TempDir()
	const many = 1_000
	for i := range many {
		dir := filepath.Join(logs, fmt.Sprintf("2026-05-%02dT10-00-00Z-s%04d", 1+i%28, 1+i))
		fix(t, os.Mkdir(dir, 0o755), os.WriteFile(filepath.Join(dir, triplog.PartName(1)), nil, 0o644))
	}
	s := create(t, logs)
	if s.Info.Number != many+1+numbersGone {
		t.Fatalf("number %d", s.Info.Number)
	}
	keep(t, s, endedIn("blocked"))
	if endings, err := Unfinished(logs); err != nil || len(endings) != 0 {
		t.Errorf("%d endings, %v", len(endings), err)
	}
	if next := create(t, logs); next.Info.Number != many+2+numbersGone {
		t.Errorf("number %d", next.Info.Number)
	}
}

// A note that was written half, or whose bytes were changed, is never taken for
// another one.
func TestNote_EveryByte(t *testing.T) {
	logs := t.TempDir()
	s := create(t, logs)
	fix(t, s.HandOn(json.RawMessage(`{"told":[1,"<"]}`)))
	keep(t, s, endedIn("tripped"))
	name := filepath.Join(logs, noteName)
	good, err := os.ReadFile(name)
	fix(t, err)
	want, err := readNote(logs)
	fix(t, err)
	spaces := 0
	for i := range good {
		for _, b := range []byte{good[i] ^ 1, " 9"[i%2]} {
			work := bytes.Clone(good)
			work[i] = b
			fix(t, os.WriteFile(name, work, 0o644))
			got, err := readNote(logs)
			if err != nil {
				continue
			}
			a, _ := json.Marshal(want)
			if b, _ := json.Marshal(got); !bytes.Equal(a, b) {
				t.Fatalf("byte %d changed to %q reads as %s", i, work[i], b)
			}
			spaces++ // between fields nothing is changed by it
		}
		fix(t, os.WriteFile(name, good[:i], 0o644))
		if n, err := readNote(logs); err == nil && i < len(good)-1 {
			t.Fatalf("cut at byte %d of %d: %+v", i, len(good), n)
		}
	}
	if spaces == 0 || spaces > len(good) {
		t.Errorf("%d changes that change nothing", spaces)
	}
}

// A fault that the log could not take, since its disk was full or its folder was gone for
// a while, stands in the note: the next session comes up in it, until a log says that
// the latch left it.
func TestPromise05_AFaultThatOnlyTheNoteKnows(t *testing.T) {
	left := triplog.Line{At: 3 * time.Second, Kind: triplog.KindDecision, State: "blocked", Decision: []byte(`{"at_ns":3,"kind":"state","from":"fault","state":"blocked"}`)}
	for _, c := range []struct {
		what          string
		before, after []triplog.Line
		up            string
	}{
		{"nothing behind it", []triplog.Line{said("live")}, nil, "fault"},
		{"older lines that no sync had told of", []triplog.Line{said("live")}, []triplog.Line{said("live")}, "fault"},
		{"left by a reset", []triplog.Line{said("live")}, []triplog.Line{left, said("blocked")}, "tripped"},
		{"an older one was left", []triplog.Line{said("fault"), left}, []triplog.Line{said("live")}, "fault"},
	} {
		logs := t.TempDir()
		s := create(t, logs)
		for _, line := range c.before {
			fix(t, s.Trips.Append(line, true))
		}
		fix(t, s.Remember("fault", false))
		for _, line := range c.after {
			fix(t, s.Trips.Append(line, true))
		}
		fix(t, s.Close())
		if up, says := comesUp(t, logs); up != c.up {
			t.Errorf("%s: comes up %q, want %q: %s", c.what, up, c.up, says)
		}
	}
}
