package guard

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
)

// commissionedFiles are files of a pad whose proof tests are asked for.
func commissionedFiles(t testing.TB, dir string) Files {
	t.Helper()
	f := liveFiles(t, dir)
	text := strings.ReplaceAll(string(f.Pad.Text), "required = false", "every = \"30 d\"")
	f.Pad.Text = []byte(text)
	return f
}

// keepRecord writes a record for the pad file: every test passed but those
// left out, at that time.
func keepRecord(t testing.TB, files Files, at time.Time, not ...prooftest.Test) {
	t.Helper()
	c, faults := files.Check()
	must(t, faults.Err())
	r := &prooftest.Record{Schema: prooftest.Schema, Made: at, Pad: prooftest.PadFile{SHA256: hex.EncodeToString(c.Pad.Hash[:])},
		Board: prooftest.BoardID{Machine: prooftest.Machine(c.Pad)}}
	for _, test := range prooftest.Fitting(c.Pad) {
		if slices.Contains(not, test) {
			continue
		}
		one := prooftest.Result{Test: test, Outcome: prooftest.Passed, At: at}
		if test == prooftest.Rotors {
			one.Figures = []prooftest.Figure{{Name: "relay open to rotors stopped", Value: 3.25, Unit: "s"}}
		}
		r.Tests = append(r.Tests, one)
	}
	_, err := numbered.Write(prooftest.Folder(c.Pad.LogFolder), r.Made, &r.Number, r)
	must(t, err)
}

// replayEqual ends the guard and wants its session to replay as it was.
func replayEqual(t testing.TB, g *Guard, stop func() error) {
	t.Helper()
	must(t, stop())
	s, err := session.Open(g.Folder())
	must(t, err)
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}
}

func dueIn(s told.Status) (due []string) {
	for _, why := range s.NotReady {
		if strings.HasPrefix(why, "proof test due") {
			due = append(due, why)
		}
	}
	return due
}

// Without a record every test is due, and the page names each; with one none
// is; and one that comes due while the guard runs is told then. All of it
// comes by the host, so that the session replays.
func TestProofTestsRefuseAStart(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	files := commissionedFiles(t, dir)
	g := openLive(t, files)
	stop := running(t, g)
	soon(t, "told what is due", func() bool { return len(dueIn(g.Status())) > 0 })
	due := dueIn(g.Status())
	if !slices.Contains(due, "proof test due: relay and chain, never passed") || !slices.Contains(due, "proof test due: load cell, never passed") {
		t.Errorf("due: %q", due)
	}
	if opening := strings.Join(g.Opening(), "\n"); !strings.Contains(opening, "proof test due: emergency stop, never passed; start is refused") {
		t.Errorf("the opening says\n%s", opening)
	}
	replayEqual(t, g, stop)

	// One test short, and the others in force for a moment only.
	last := time.Now().Add(-30*24*time.Hour + 2*time.Second)
	keepRecord(t, files, last, prooftest.Buttons)
	g = openLive(t, files)
	atOnce := len(g.dueTests())
	if time.Since(last) < 30*24*time.Hour && atOnce != 1 {
		t.Errorf("due at once: %q", g.dueTests())
	}
	stop = running(t, g)
	for _, want := range []string{"proof test due: buttons and gate, never passed", "proof test due: relay and chain, last passed " + last.Format(time.DateOnly)} {
		soon(t, want, func() bool { return slices.Contains(dueIn(g.Status()), want) })
	}
	replayEqual(t, g, stop)

	keepRecord(t, files, time.Now())
	g = openLive(t, files)
	stop = running(t, g)
	if due := dueIn(g.Status()); len(due) != 0 {
		t.Errorf("due after all was passed: %q", due)
	}
	replayEqual(t, g, stop)
}

// Commissioning without propellers proves the chain and not the stop, and so does
// no time that somebody wrote into the pad file: the engine is told both times as
// stated.
//
//fault:row the stop was only timed on bare motors, or by hand | no flight starts; 3 s or more count, shown as stated, not measured
func TestNoStopIsProvenByCommissioning(t *testing.T) {
	dir := shortDir(t)
	files := commissionedFiles(t, dir)
	text := string(files.Pad.Text)
	bare := text
	if from := strings.Index(text, "[stop]"); from >= 0 {
		bare = text[:from] + text[from+strings.Index(text[from:], "\n\n"):]
	}
	const unproven = "stop not measured"
	for _, text := range []string{bare, text} {
		files.Pad.Text = []byte(text)
		keepRecord(t, files, time.Now())
		g := openLive(t, files)
		stop := running(t, g)
		told := func() string {
			log, err := os.ReadFile(filepath.Join(g.Folder(), "trips.jsonl"))
			must(t, err)
			return string(log)
		}
		for _, want := range []string{"rotors stand 3 s after the relay's opening (stated, not measured)", "thrust is gone 1.2 s after the relay's opening (stated, not measured)"} {
			soon(t, want, func() bool { return strings.Contains(told(), want) })
		}
		if !slices.ContainsFunc(g.Status().NotReady, func(s string) bool { return strings.Contains(s, unproven) }) {
			t.Errorf("a stop that nobody measured counts as proven: %q", g.Status().NotReady)
		}
		replayEqual(t, g, stop)
	}
}
