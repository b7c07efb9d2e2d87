package guard

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/interlock/records/triplog"
	"downhaul/rules/card"
)

// failedLast makes two sessions: blades that were good, then blades that were not. It
// returns the files and the folder of the second.
func failedLast(t *testing.T, dir string) (Files, string) {
	t.Helper()
	files := cardedFiles(t, dir)
	var g *Guard
	for _, blades := range []string{"41 mm", "39 mm"} {
		f := onPad(t, files, craftmodel.EightTwo())
		g = f.guard
		must(t, declare(g, inspected("blade clearance", blades)), declare(g, inspected("first power-up", "pass")))
		f.run(time.Second)
		must(t, g.Finish(f.now))
	}
	return files, g.Folder()
}

// held wants a start to be held back by the ledger, for a reason with these words.
func held(t *testing.T, g *Guard, want string) {
	t.Helper()
	if got := g.ledgerHolds(); !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, want) }) {
		t.Errorf("held back by %q, want %q; opening %q", got, want, g.Opening())
	}
}

// The card's copy in the last session's folder is gone. Where the card is still the same
// by its hash, what was declared there counts on; where it is another, nobody can tell whose
// session that was, and the start is held back until somebody has looked into it.
//
//fault:row the copy of the card in a session's folder is gone | what was declared and flown there counts on, or the start is held back with the reason
func TestCardCopyOfTheLastSessionIsGone(t *testing.T) {
	dir := t.TempDir()
	files, last := failedLast(t, dir)
	must(t, os.Remove(filepath.Join(last, session.Card)))
	f := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(f.guard, step("empty hover")), declare(f.guard, packA))
	asks(t, f.guard, "39 mm")
	if got := f.guard.ledgerHolds(); len(got) > 0 {
		t.Errorf("held back by %q", got)
	}
	must(t, f.guard.Finish(f.now))
	must(t, os.Remove(filepath.Join(f.guard.Folder(), session.Card)))
	other := files
	other.Card.Text = append(slices.Clone(files.Card.Text), "# another day\n"...)
	for range 2 {
		f = onPad(t, other, craftmodel.EightTwo())
		held(t, f.guard, filepath.Base(last))
		if n := len(f.guard.ledgerHolds()); n != 2 { // each told once
			t.Errorf("held back by %q", f.guard.ledgerHolds())
		}
		must(t, f.guard.Finish(f.now))
	}
	// Brought back, they count, and the start stays held until somebody says so.
	for _, folder := range []string{last, f.guard.Folder()} {
		must(t, os.WriteFile(filepath.Join(folder, session.Card), files.Card.Text, 0o644))
	}
	must(t, os.WriteFile(filepath.Join(f.guard.Folder(), session.Card), other.Card.Text, 0o644))
	f = onPad(t, other, craftmodel.EightTwo())
	must(t, declare(f.guard, step("empty hover")), declare(f.guard, packA))
	asks(t, f.guard, "39 mm")
	must(t, f.guard.Finish(f.now))
}

// A trip log that is damaged in the middle, or gone, may have said that something failed.
//
//fault:row the trip log of an earlier session is damaged in the middle, or gone, and all are read | the start is held back until somebody has looked into it
func TestLogOfAnEarlierSessionIsDamaged(t *testing.T) {
	for what, do := range map[string]func(log string) error{
		"damaged": func(log string) error {
			text, err := os.ReadFile(log)
			must(t, err)
			return os.WriteFile(log, []byte(strings.Replace(string(text), "39 mm", "93 mm", 1)), 0o644)
		},
		"gone": os.Remove,
	} {
		dir := t.TempDir()
		files, last := failedLast(t, dir)
		f := onPad(t, files, craftmodel.EightTwo()) // it is the last but one
		must(t, f.guard.Finish(f.now), do(filepath.Join(last, triplog.PartName(1))))
		files.Card.Text = append(slices.Clone(files.Card.Text), "# all are read\n"...)
		f = onPad(t, files, craftmodel.EightTwo())
		held(t, f.guard, filepath.Base(last))
		if t.Failed() {
			t.Fatal(what)
		}
		must(t, f.guard.Finish(f.now))
	}
}

// A record of an opening that cannot be read takes no wear and no long stop with it.
//
//fault:row the record of an opening is damaged | the stop counts as not measured, times and wear as long and as high as ever; the start is held back
func TestOpeningsRecordIsDamaged(t *testing.T) {
	dir := t.TempDir()
	files := stopFiles(t, dir)
	f := onPad(t, files, tiedDown())
	of := f.guard.stopOf()
	must(t, f.guard.Finish(f.now))
	for range 10 { // the maker states 9
		r := stopping.Record{Schema: stopping.Schema, Made: time.Now(), Kind: stopping.Opening, Of: of, Output: 0.2, Loaded: true, Mirror: "open", Traced: true, StandingS: 8, ThrustS: 1}
		must(t, r.Write(dir))
	}
	names, err := filepath.Glob(filepath.Join(stopping.Folder(dir), "*.json"))
	must(t, err, os.WriteFile(names[4], []byte("{"), 0o644))
	f = onPad(t, files, tiedDown())
	if due := strings.Join(f.guard.dueTests(), "\n"); !strings.Contains(due, "has opened under load 9 times") {
		t.Errorf("due %q", due)
	}
	if p := f.guard.declared.proof.Load(); p.Worst != 8*time.Second || p.UpTo() != 0 {
		t.Errorf("proven %+v", p)
	}
	held(t, f.guard, "stop")
	must(t, f.guard.Finish(f.now))
}

// A check of the tilt response that was made behind a session which this folder has not
// reached, or reached again, has no place in the order on record.
func TestTiltCheckBehindASessionToCome(t *testing.T) {
	dir := t.TempDir()
	text := strings.NewReplacer("@CRAFT@", "Eight", "@LEAST@", "40 mm", "@PLACES@", fourPlaces()).Replace(ladderCard)
	c, faults := card.Read("card.toml", []byte(text))
	must(t, faults.Err())
	r := tiltcheck.Record{Schema: tiltcheck.Schema, Made: time.Now(), Craft: c.Craft.Name, Motors: tiltcheck.Digest(c), After: 7, Passed: true}
	_, err := numbered.Write(tiltcheck.Folder(dir), r.Made, &r.Number, &r)
	must(t, err)
	ses, err := session.Create(dir, session.Meta{Software: "test", Wall: time.Now(), Room: 1}, nil)
	must(t, err)
	g := &Guard{pad: &pad.Pad{LogFolder: dir}, opts: Options{Software: "test"}, session: ses}
	g.declared.card = c
	if err := g.remember(time.Now(), &earlier{all: true}); err == nil || !strings.Contains(err.Error(), "session 7") || !strings.Contains(err.Error(), "downhaul tilt") {
		t.Errorf("taken: %v", err)
	}
	must(t, ses.Close())
}

// What a rehearsal of another mark declared and flew, and what was reported of it, counts
// for nothing on this pad.
func TestRehearsalOfAnotherMarkCountsForNothing(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	files, _ := failedLast(t, dir)
	ses, err := session.Create(other, session.Meta{Software: "test", Wall: time.Now(), Room: 1, Mark: "another bench"},
		[]session.File{{Name: session.Card, Text: files.Card.Text}})
	must(t, err)
	d := inspected("blade clearance", "60 mm")
	must(t, ses.Trips.Append(triplog.Line{At: 1, Kind: triplog.KindHost, Text: d.Text()}, false), ses.Trips.Append(triplog.Line{At: 2, Kind: triplog.KindEnded, State: "blocked"}, true), ses.Close())
	to := filepath.Join(dir, strings.Replace(filepath.Base(ses.Dir), "s0001", "s0099", 1))
	must(t, os.CopyFS(to, os.DirFS(ses.Dir)))
	page := filepath.Join(to, "session.json")
	text, err := os.ReadFile(page)
	must(t, err)
	text = []byte(strings.NewReplacer(filepath.Base(ses.Dir), filepath.Base(to), `"number": 1,`, `"number": 99,`).Replace(string(text)))
	must(t, os.WriteFile(page, text, 0o644))
	r := flown.Record{Schema: flown.Schema, Made: time.Now(), Craft: "Eight 2", Mark: "another bench", Hovers: []flown.Hover{{Step: "empty hover", MassKg: 60, ForS: 600}}}
	_, err = numbered.Write(flown.Folder(dir), r.Made, &r.Number, &r)
	must(t, err)
	f := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(f.guard, step("empty hover")), declare(f.guard, packA))
	asks(t, f.guard, "39 mm")
	if n := len(f.guard.declared.facts.Hovers); n > 0 {
		t.Errorf("%d hovers of a rehearsal count", n)
	}
	must(t, f.guard.Finish(f.now))
}
