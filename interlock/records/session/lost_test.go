//go:build linux

package session

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// begun begins a session that hands facts on and has noted itself.
func begun(t *testing.T, logs string, m Meta, facts string) *Session {
	t.Helper()
	s, err := Create(logs, m, threeFiles)
	fix(t, err)
	fix(t, s.HandOn(json.RawMessage(facts)), s.Remember("blocked", false))
	return s
}

// ended ends a session in order in that state, or in whatever state the latch may be left.
func ended(t *testing.T, s *Session, state string) {
	t.Helper()
	fix(t, s.Trips.Append(endedIn(state), true), s.Remember(state, true), s.Close())
}

// next begins another session and tells what it finds: what was handed on, the names of
// what is to be read on top, why all are, and what it comes up by.
func next(t *testing.T, logs string, m Meta) (facts string, top []string, why, up, says string) {
	t.Helper()
	s, err := Create(logs, m, threeFiles)
	fix(t, err)
	for _, e := range s.Before() {
		if up != "fault" {
			up = e.ComesUp()
		}
		says += e.Says + "\n"
	}
	raw, on, why := s.Since()
	for _, o := range on {
		top = append(top, filepath.Base(o.Dir))
	}
	fix(t, s.Close(), os.RemoveAll(s.Dir))
	return string(raw), top, why, up, says
}

func dated(m Meta, day int) Meta {
	m.Wall = dayOf(day)
	return m
}

// A removal that a power cut breaks off anywhere takes no facts with it: the note says
// what goes before the first folder does.
//
//fault:row a removal of old sessions breaks off half-way, or its note cannot be written | what they held is handed on all the same; without the note nothing is removed
func TestRemovalThatBreaksOffLosesNothing(t *testing.T) {
	const facts = `{"told":1}`
	season := func(t *testing.T) (logs string, old []string) {
		logs = t.TempDir()
		for day := range 9 {
			s := begun(t, logs, dated(meta, day), facts)
			ended(t, s, "blocked")
			old = append(old, s.Dir)
		}
		return logs, old
	}
	keeping := dated(meta, 400)
	keeping.Keep = Keep{Age: 30 * 24 * time.Hour}
	taken := func(t *testing.T, what, logs string) {
		t.Helper()
		if got, _, why, up, says := next(t, logs, dated(meta, 401)); !sameJSON([]byte(got), facts) || up != "" {
			t.Errorf("%s: handed on %q: %s; comes up %q: %s", what, got, why, up, says)
		}
	}
	for step := range 10 {
		logs, _ := season(t)
		s := begun(t, logs, keeping, facts)
		fix(t, s.Trips.Append(endedIn("blocked"), true), s.Remember("blocked", true))
		whole := t.TempDir()
		fix(t, os.CopyFS(whole, os.DirFS(logs)))
		s.Retain(dayOf(400))
		fix(t, s.Close())
		noted, err := os.ReadFile(filepath.Join(logs, noteName))
		fix(t, err)
		// The same folder once more, with that many of the sessions gone that went.
		fix(t, os.WriteFile(filepath.Join(whole, noteName), noted, 0o644))
		names, err := os.ReadDir(whole)
		fix(t, err)
		gone := 0
		for _, e := range names {
			if !there(filepath.Join(logs, e.Name())) && gone < step {
				gone++
				fix(t, os.Rename(filepath.Join(whole, e.Name()), filepath.Join(whole, removing+e.Name())))
			}
		}
		if taken(t, fmt.Sprintf("%d of the removed are gone", gone), whole); gone < step && step < 4 {
			t.Fatalf("only %d went: the test proves nothing", gone)
		}
	}

	// At a start that finds a session broken off, killed before it had noted itself.
	logs, old := season(t)
	fix(t, begun(t, logs, dated(meta, 10), facts).Close())
	s, err := Create(logs, keeping, threeFiles)
	fix(t, err, s.Close())
	if there(old[0]) {
		t.Error("nothing was removed at the start: the test proves nothing")
	}
	if got, top, why, _, _ := next(t, logs, dated(meta, 401)); !sameJSON([]byte(got), facts) || len(top) != 2 || top[1] != s.Info.Session {
		t.Errorf("killed behind a removal at the start: handed on %q on top of %q: %s", got, top, why)
	}

	// No note, no removal: neither where it cannot be written, nor where it hands nothing on.
	logs, old = season(t)
	s = begun(t, logs, keeping, facts)
	fix(t, s.Trips.Append(endedIn("blocked"), true), os.Remove(filepath.Join(logs, noteName)), os.MkdirAll(filepath.Join(logs, noteName, "x"), 0o755))
	if s.Retain(dayOf(400)); !there(old[0]) {
		t.Errorf("the note cannot be written, and the oldest is gone: %q", s.Retained)
	}
	fix(t, s.Close())
	logs, old = season(t)
	s, err = Create(logs, keeping, threeFiles)
	fix(t, err, s.Trips.Append(endedIn("blocked"), true), s.Remember("blocked", true))
	s.Retain(dayOf(400))
	fix(t, s.Close())
	if !there(old[0]) || !strings.Contains(strings.Join(s.Retained, "\n"), "handed on") {
		t.Errorf("nothing is handed on, and the oldest is there %v: %q", there(old[0]), s.Retained)
	}
	logs, old = season(t)
	fix(t, os.Remove(filepath.Join(logs, noteName)))
	s, err = Create(logs, keeping, threeFiles)
	if fix(t, err, s.Close()); !there(old[0]) {
		t.Error("without a note the oldest was removed before anybody had read it")
	}
}

// Where an older session stays, a later one goes but for its log: what it took back must
// not go before what it took back.
func TestRemovalLeavesTheLogBehindOneThatStays(t *testing.T) {
	logs := t.TempDir()
	trip := old(t, logs, 0, "", oneTrip, inOrder)
	calm := old(t, logs, 1, "", inOrder)
	for day := range leastSessions + 1 {
		old(t, logs, 2+day, "", inOrder)
	}
	says := strings.Join(retained(logs, Keep{Age: time.Hour}, dayOf(400)), "\n")
	if parts, _ := filepath.Glob(filepath.Join(calm, "*.pcapng")); !there(trip) || !there(calm) || len(parts) > 0 || !strings.Contains(says, "recording of session") {
		t.Errorf("trip there %v, the one behind it %v with %q: %s", there(trip), there(calm), parts, says)
	}
	if s, err := Open(calm); err != nil {
		t.Error(err)
	} else if parts, err := s.TripParts(); err != nil || len(parts) != 1 {
		t.Errorf("its log: %q, %v", parts, err)
	}
}

// A note that was put in from elsewhere, one of a pad that only watches before all, hides
// nothing: how the sessions that stand there ended counts then.
//
//fault:row the note of another log folder is put in, of a pad that only watches | the next session comes up by the sessions that stand there
func TestForeignNoteHidesNothing(t *testing.T) {
	for _, duty := range []string{DutyWatch, ""} {
		for _, state := range []string{"tripped", "fault"} {
			logs, other := t.TempDir(), t.TempDir()
			fix(t, begun(t, logs, meta, `{}`).Close())
			ended(t, begun(t, logs, meta, `{"own":1}`), state)
			m := dated(meta, 3)
			m.Duty = duty
			for range 9 {
				ended(t, begun(t, other, m, `{"other":1}`), "blocked")
			}
			text, err := os.ReadFile(filepath.Join(other, noteName))
			fix(t, err, os.WriteFile(filepath.Join(logs, noteName), text, 0o644))
			for _, duty := range []string{DutyWatch, ""} { // and one that only watches hides nothing either
				m := dated(meta, 5)
				m.Duty = duty
				s, err := Create(logs, m, threeFiles)
				fix(t, err)
				got, _, why := s.Since()
				up, says := "", ""
				for _, e := range s.Before() {
					if up != "fault" {
						up = e.ComesUp()
					}
					says += e.Says + "\n"
				}
				if up != state || why == "" && duty == DutyWatch || duty == DutyWatch && got != nil {
					t.Errorf("a note of duty %q over one that ended %s, read by duty %q: comes up %q: %s; handed on %s", duty, state, m.Duty, up, says, got)
				}
				ended(t, s, "blocked")
			}
		}
	}
}

// Session folders that were swapped, renamed, copied under another name or over each other
// are found by what their own page says, and none of them counts for another.
//
//fault:row session folders are swapped, renamed, copied under a new name or over each other | none counts for another; it is told, and holds the start back
func TestFoldersThatAreNotTheirOwn(t *testing.T) {
	for what, do := range map[string]func(t *testing.T, logs string, dirs []string) (bad []string){
		"swapped": func(t *testing.T, logs string, dirs []string) []string {
			fix(t, os.Rename(dirs[0], logs+"/x"), os.Rename(dirs[1], dirs[0]), os.Rename(logs+"/x", dirs[1]))
			return dirs[:2]
		},
		"copied over another": func(t *testing.T, _ string, dirs []string) []string {
			fix(t, os.RemoveAll(dirs[1]), os.CopyFS(dirs[1], os.DirFS(dirs[0])))
			return dirs[1:2]
		},
		"copied under a new name": func(t *testing.T, logs string, dirs []string) []string {
			to := filepath.Join(logs, "2020-01-01T00-00-00Z-s0001")
			fix(t, os.CopyFS(to, os.DirFS(dirs[1])))
			return []string{to}
		},
		"a number given twice": func(t *testing.T, logs string, dirs []string) []string {
			to := filepath.Join(logs, "2040-01-01T00-00-00Z-s0002")
			fix(t, os.CopyFS(to, os.DirFS(dirs[1])))
			alter(t, filepath.Join(to, infoName), func(text string) string {
				return strings.ReplaceAll(text, filepath.Base(dirs[1]), filepath.Base(to))
			})
			return []string{to}
		},
	} {
		logs := t.TempDir()
		var dirs []string
		for day := range 4 {
			s := begun(t, logs, dated(meta, day), `{}`)
			ended(t, s, "blocked")
			dirs = append(dirs, s.Dir)
		}
		bad := do(t, logs, dirs)
		sessions, trouble, err := Earlier(logs, "")
		fix(t, err)
		for _, s := range sessions {
			if slices.Contains(bad, s.Dir) {
				t.Errorf("%s: %s counts as session %s", what, s.Dir, s.Info.Session)
			}
		}
		says := fmt.Sprint(trouble)
		for _, dir := range bad {
			if !strings.Contains(says, dir) {
				t.Errorf("%s: nothing is told of %s: %s", what, dir, says)
			}
		}
		if len(trouble) != len(bad) {
			t.Errorf("%s: %d are told: %s", what, len(trouble), says)
		}
	}
}

// Folders that somebody put in or took away come up tripped, with the reason: what was
// declared in those that are gone is gone as well.
func TestFoldersPutInOrTakenAwayComeUpTripped(t *testing.T) {
	logs := t.TempDir()
	first := begun(t, logs, meta, `{}`)
	ended(t, first, "blocked")
	ended(t, begun(t, logs, meta, `{"told":1}`), "blocked")
	fix(t, os.RemoveAll(first.Dir))
	if got, _, why, up, says := next(t, logs, meta); got != "" || why == "" || up != "tripped" || !strings.Contains(says, "by hand") {
		t.Errorf("handed on %q: %s; comes up %q: %s", got, why, up, says)
	}
	// A start that was killed before it had a log is none of that.
	ended(t, begun(t, logs, meta, `{"told":2}`), "blocked")
	fix(t, os.Mkdir(filepath.Join(logs, "2026-05-30T19-00-00Z-s0009"), 0o755))
	if got, _, why, up, says := next(t, logs, meta); !sameJSON([]byte(got), `{"told":2}`) || up != "" {
		t.Errorf("a folder without a log: handed on %q: %s; comes up %q: %s", got, why, up, says)
	}
	ended(t, begun(t, logs, meta, `{"told":3}`), "blocked")
	if got, _, why, up, says := next(t, logs, meta); !sameJSON([]byte(got), `{"told":3}`) || up != "" {
		t.Errorf("behind it: handed on %q: %s; comes up %q: %s", got, why, up, says)
	}
}

// No number is given twice: neither that of a session that went half, nor those that a
// note knew which is gone, with the newest folder or with all of them.
//
//fault:row the newest session's folder and the note are gone | no session's number is given again
func TestNumbersAreGivenOnce(t *testing.T) {
	logs := t.TempDir()
	var last *Session
	for range 4 {
		last = begun(t, logs, meta, `{}`)
		ended(t, last, "blocked")
	}
	number := func(what string, above int) {
		t.Helper()
		s, err := Create(logs, meta, threeFiles)
		fix(t, err)
		if s.Info.Number <= above {
			t.Errorf("%s: number %d is given again, highest was %d", what, s.Info.Number, above)
		}
		ended(t, s, "blocked")
		last = s
	}
	fix(t, os.Mkdir(filepath.Join(logs, removing+"2026-05-30T19-00-00Z-s0020"), 0o755))
	number("a session that went half", 20)
	above := last.Info.Number
	fix(t, os.RemoveAll(last.Dir))
	number("the newest folder gone", above)
	above = last.Info.Number
	fix(t, os.RemoveAll(last.Dir), os.Remove(filepath.Join(logs, noteName)))
	number("newest folder and note gone", above)
	starRemoved(t, logs)
	fix(t, os.Remove(filepath.Join(logs, noteName)), os.Mkdir(filepath.Join(logs, "shown"), 0o755))
	if up, says := comesUp(t, logs); up != "tripped" {
		t.Errorf("all sessions gone, and their records there: comes up %q: %s", up, says)
	}
	number("all sessions and the note gone, and records of them there", 500)
}

// What another version of this program handed on does not count, and nothing that it does
// not know can be lost by that: all is read. A note of a newer form refuses the start,
// since writing it anew would take what this program cannot read.
func TestNoteOfAnotherVersion(t *testing.T) {
	logs := t.TempDir()
	ended(t, begun(t, logs, meta, `{"told":1}`), "blocked")
	other := meta
	other.Software = "0.2"
	if got, _, why, up, says := next(t, logs, other); got != "" || why == "" || up != "" {
		t.Errorf("another version: handed on %q: %q; comes up %q: %s", got, why, up, says)
	}
	if got, _, why, _, _ := next(t, logs, meta); !sameJSON([]byte(got), `{"told":1}`) {
		t.Errorf("the same version: %q, %s", got, why)
	}
	name := filepath.Join(logs, noteName)
	newer := []byte(fmt.Sprintf(`{"v":%d,"sessions":[]}`, noteVersion+1))
	fix(t, os.WriteFile(name, newer, 0o644))
	_, err := Create(logs, meta, threeFiles)
	if err == nil || !strings.Contains(err.Error(), "newer version") || !strings.Contains(err.Error(), "move") {
		t.Errorf("a newer form: %v", err)
	}
	if text, err := os.ReadFile(name); err != nil || !bytes.Equal(text, newer) {
		t.Errorf("it was written over: %s, %v", text, err)
	}
}

// A rehearsal in a real pad's log folder counts for nothing there: it hides no trip, its
// own end trips nobody who has another mark, and what it hands on is not taken.
//
//fault:row a rehearsal's session stands in a real pad's log folder | it counts for nothing there, and hides nothing
func TestRehearsalHidesNothing(t *testing.T) {
	rehearsal := meta
	rehearsal.Mark = "virtual board, a rehearsal"
	logs := t.TempDir()
	ended(t, begun(t, logs, meta, `{"real":1}`), "tripped")
	ended(t, begun(t, logs, rehearsal, `{"rehearsed":1}`), "blocked")
	got, _, _, up, says := next(t, logs, meta)
	if got != "" || up != "tripped" {
		t.Errorf("behind a rehearsal that ended in order: handed on %q, comes up %q: %s", got, up, says)
	}
	for mark, want := range map[string]int{"": 1, rehearsal.Mark: 2, "another": 1} {
		if sessions, trouble, err := Earlier(logs, mark); err != nil || len(trouble) > 0 || len(sessions) != want {
			t.Errorf("%d sessions count for mark %q, want %d: %v, %v", len(sessions), mark, want, trouble, err)
		}
	}
	// Alone in its folder it is remembered as ever.
	logs = t.TempDir()
	ended(t, begun(t, logs, rehearsal, `{"rehearsed":1}`), "tripped")
	if got, _, why, up, _ := next(t, logs, rehearsal); got == "" || up != "tripped" {
		t.Errorf("a rehearsal behind another: handed on %q: %s; comes up %q", got, why, up)
	}
	// Without the note real sessions are decided by alone.
	logs = t.TempDir()
	ended(t, begun(t, logs, meta, `{}`), "fault")
	ended(t, begun(t, logs, rehearsal, `{}`), "blocked")
	fix(t, os.Remove(filepath.Join(logs, noteName)))
	if _, _, _, up, says := next(t, logs, meta); up != "fault" {
		t.Errorf("without the note: comes up %q: %s", up, says)
	}
}

// What was reported on while it was under way is not reported on: how it ended then, broken
// off or in a fault, nobody has seen.
func TestReportedOnBeforeItsEnd(t *testing.T) {
	logs := t.TempDir()
	dir := old(t, logs, 0, "")
	s, err := Open(dir)
	fix(t, err)
	for text, stays := range map[string]bool{
		`{"v":1,"trips":0,"lines":1}`: false,
		`{"v":1,"trips":0}`:           true, // by an older program, which did not say
		`{"v":1,"trips":0,"lines":0}`: true,
	} {
		fix(t, os.WriteFile(filepath.Join(dir, ReportedName), []byte(text), 0o644))
		if why := s.mustStay(); (why != "") != stays {
			t.Errorf("%s: stays for %q", text, why)
		}
	}
}
