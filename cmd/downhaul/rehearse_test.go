package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"downhaul/interlock/model/rehearsal"
)

// rehearse runs the command on the demo's files.
func rehearse(t *testing.T, args ...string) (code int, out, trouble string) {
	t.Helper()
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := writeDemoFiles(dir, link); err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	code = run(context.Background(), append([]string{"rehearse", "--pad", filepath.Join(dir, "pad.toml")}, args...), &streams{strings.NewReader(""), &o, &e})
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 3 {
		t.Errorf("a rehearsal leaves something beside the files: %v, %v", entries, err)
	}
	return code, o.String(), e.String()
}

func TestRehearseTellsHowAFlightCameOut(t *testing.T) {
	t.Parallel()
	code, out, trouble := rehearse(t, "--auto", "runaway-at-the-hover")
	if code != nothingFound {
		t.Fatalf("exit %d: %s", code, trouble)
	}
	for _, want := range []string{"A rehearsal: the craft is a model", "mishap runaway.", "Power off: ceiling past its limit", "Came of it: the craft hits the ground", "Expected:   stop: so it was."} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	for line := range strings.Lines(out) {
		if utf8.RuneCountInString(strings.TrimSuffix(line, "\n")) > columns {
			t.Errorf("wider than %d: %q", columns, line)
		}
	}
	own := filepath.Join(t.TempDir(), "own.txt")
	if err := os.WriteFile(own, []byte("expect stop\nfrom hover\nat 5 s end\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, _ := rehearse(t, "--auto", own); code != somethingWas || !strings.Contains(out, "IT WAS NOT.") {
		t.Errorf("exit %d where what was expected did not come:\n%s", code, out)
	}
}

func TestRehearseRefuses(t *testing.T) {
	t.Parallel()
	bad := filepath.Join(t.TempDir(), "bad.txt")
	if err := os.WriteFile(bad, []byte("at 2 s fault gremlins\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "out")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--json"}, "--auto plays the crew"},
		{[]string{"--all", "x"}, "--all flies the mishaps that ship"},
		{[]string{"--auto", "gremlins"}, "downhaul rehearse --help names all"},
		{[]string{"--auto", "runaway"}, `did you mean "runaway-at-the-hover" or "runaway-from-the-pad"?`},
		{[]string{"--auto", "--out", out, "00-calm", "gust-frunt"}, `did you mean "gust-front"?`},
		{[]string{"--pad", filepath.Dir(bad)}, "pad.toml"},
		{[]string{"--pad", filepath.Join(filepath.Dir(bad), "none.toml")}, "downhaul new DIR"},
		{[]string{"--real-board"}, "names no real board"},
		{[]string{"--real-board", "--auto"}, "a crew presses the buttons"},
		{[]string{"--auto", bad}, `bad.txt:1: no such fault (got "gremlins")`},
		{[]string{"--auto", "--step", "ballast 99"}, `the card has no step "ballast 99"`},
	} {
		code, said, trouble := rehearse(t, c.args...)
		if code != couldNot || !strings.Contains(strings.Join(strings.Fields(trouble), " "), c.want) || said != "" {
			t.Errorf("%v: exit %d, %s%s", c.args, code, said, trouble)
		}
		if _, err := os.Lstat(out); err == nil {
			t.Errorf("%v: its folder is left behind", c.args)
		}
	}
}

// The same files, scenarios and seed give the same flights to the last digit; another
// seed is another day.
func TestRehearsalsAreTheSameEachTime(t *testing.T) {
	t.Parallel()
	fly := func(seed string) string {
		t.Helper()
		code, out, trouble := rehearse(t, "--auto", "--json", "--seed", seed, "gust-front", "motor-out", "link-slow")
		if code > somethingWas {
			t.Fatalf("exit %d: %s", code, trouble)
		}
		return out
	}
	first := fly("3")
	if again := fly("3"); again != first {
		t.Errorf("the same seed, another flight:\n%s\n%s", first, again)
	}
	if fly("4") == first {
		t.Error("another seed, the same flight to the last digit")
	}
}

// The whole table is one object and one page as well, which fits desk, phone and paper.
func TestRehearseAll(t *testing.T) {
	if testing.Short() {
		t.Skip("flies every mishap with every change: half a minute of a processor")
	}
	t.Parallel()
	kept := filepath.Join(t.TempDir(), "kept")
	code, out, trouble := rehearse(t, "--all", "--json", "--out", kept)
	if code != somethingWas {
		t.Fatalf("exit %d: %s", code, trouble)
	}
	var got rehearsedObject
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Flights) < 25 || len(got.Changes) < 3 || got.Mark == "" {
		t.Errorf("%d flights, %d changes, mark %q", len(got.Flights), len(got.Changes), got.Mark)
	}
	for _, c := range got.Changes {
		if c.Gain <= 0 || c.Helps == 0 {
			t.Errorf("a change that does not help: %+v", c)
		}
	}
	text, err := os.ReadFile(filepath.Join(kept, pageOf))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range got.Flights {
		if f.Lacks == "" && !strings.Contains(string(text), `id="`+f.Name+`"`) {
			t.Errorf("%s stands not on the page", f.Name)
		}
	}
	if n := strings.Count(string(text), "<svg"); n < 40 || !strings.Contains(string(text), "REHEARSAL") {
		t.Errorf("a page of %d pictures", n)
	}
	fitsPages(t, filepath.Join(kept, pageOf))
}

// A recorded flight is flown again with its wind and heights: the limits of its day stop it
// for the same reason near the same time, others where they stand, and the height follows.
func TestARecordedFlightIsFlownAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	kept := filepath.Join(dir, "kept")
	code, out, trouble := rehearse(t, "--auto", "--json", "--out", kept, "gust-front")
	var day rehearsedObject
	if err := json.Unmarshal([]byte(out), &day); err != nil || code != nothingFound {
		t.Fatalf("exit %d, %v: %s", code, err, trouble)
	}
	session := day.Flights[0].Session
	limits, err := os.ReadFile(filepath.Join(session, "envelope.toml"))
	if err != nil {
		t.Fatal(err)
	}
	lower := filepath.Join(dir, "lower.toml")
	text := regexp.MustCompile(`(watch   = "wind.gust3s"\s+above   = )"[^"]*"`).ReplaceAllString(string(limits), `$1"6.2 m/s"`)
	if err := os.WriteFile(lower, []byte(text), 0o600); err != nil || text == string(limits) {
		t.Fatal("no other limits", err)
	}
	code, out, trouble = tool("", "rehearse", "--from", session, "--envelope", lower, "--json")
	var again rehearsedObject
	if err := json.Unmarshal([]byte(out), &again); err != nil || code != nothingFound || len(again.Flights) != 2 {
		t.Fatalf("exit %d, %v: %s\n%s", code, err, trouble, out)
	}
	recorded, same, tighter := liveToStop(t, &day.Flights[0]), liveToStop(t, &again.Flights[0]), liveToStop(t, &again.Flights[1])
	if math.Abs(same-recorded) > 1.5 || tighter >= same {
		t.Errorf("stopped %.2f s behind the start when recorded, %.2f s again, %.2f s with a lower limit", recorded, same, tighter)
	}
	if d := again.Flights[0].Height - day.Flights[0].Height; math.Abs(d) > 0.3 {
		t.Errorf("its greatest height is %.2f m off", d)
	}
	code, out, _ = tool("", "rehearse", "--from", session)
	if flat := strings.Join(strings.Fields(out), " "); code != nothingFound || !strings.Contains(flat, "Not known: the wind's direction") || !strings.Contains(flat, "Followed: while power was on") {
		t.Errorf("exit %d:\n%s", code, out)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--from", session, "--all"}, "no mishap"},
		{[]string{"--from", session, "--run", "2"}, "has 1 run, and no run 2"},
		{[]string{"--from", dir}, "no session.json in it"},
		{[]string{"--from", lower}, "is no folder"},
		{[]string{"--from", session, "--run=-1"}, "counts from 1"},
		{[]string{"--from", session, "--envelope", filepath.Join(session, "card.toml")}, "no [[rule]]"},
		{[]string{"--run", "1"}, "--from names the session"},
		{nil, "no pad file named"},
	} {
		if code, out, trouble := tool("", append([]string{"rehearse"}, c.args...)...); code != couldNot || out != "" || !strings.Contains(strings.Join(strings.Fields(trouble), " "), c.want) {
			t.Errorf("%v: exit %d, %s", c.args, code, trouble)
		}
	}
}

// liveToStop is how long behind LIVE the guard called for a stop, s.
func liveToStop(t *testing.T, f *flightObject) float64 {
	t.Helper()
	live := -1.0
	for _, l := range f.Timeline {
		switch {
		case strings.HasPrefix(l.Says, "LIVE"):
			live = l.AtS
		case live >= 0 && strings.HasPrefix(l.Says, "Bring it down: gust"):
			return l.AtS - live
		}
	}
	t.Fatalf("%s: no gust stopped it: %+v", f.Name, f.Stop)
	return 0
}
