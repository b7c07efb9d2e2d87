package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
)

// From the flight over the report to the next start: what the card asks of the
// step before and of the last report holds a start back until a report says it,
// and again after a flight that the report leaves out.
func TestReportLetsTheNextStepStart(t *testing.T) {
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	if err != nil {
		t.Fatal(err)
	}
	if err := hoverFiles(dir, link); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, session.Card)
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	const plain = "name = \"ballast 18\"\n"
	if strings.Count(string(text), plain) != 1 {
		t.Fatalf("the card has no such step:\n%s", text)
	}
	text = []byte(strings.Replace(string(text), plain, plain+"needs = [\"ballast 12\"]\nhover = \"20 s\"\nreserve = \"20 %\"\n", 1))
	if err := os.WriteFile(name, text, 0o644); err != nil {
		t.Fatal(err)
	}
	fly := func(kg string, seed uint64) {
		t.Helper()
		if _, err := hoverDay(dir, link, hovering{ballast: kg, seed: seed, pull: seed == 1}); err != nil {
			t.Fatal(err)
		}
	}
	report := func() string {
		t.Helper()
		sessions, err := filepath.Glob(filepath.Join(dir, "20*"))
		if err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run(context.Background(), append([]string{"report", "--force", "--out", dir}, sessions...), &streams{strings.NewReader(""), &out, &errs}); code == couldNot {
			t.Fatal(errs.String())
		}
		return out.String()
	}
	asks := func(want ...string) {
		t.Helper()
		files, err := guard.ReadFiles(filepath.Join(dir, session.Pad), "", "")
		if err != nil {
			t.Fatal(err)
		}
		g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 1, Stepped: true, Now: func() time.Duration { return 0 }})
		if err != nil {
			t.Fatal(err)
		}
		_, packs := g.Declare(session.Declaration{What: session.DeclaredPacks, Packs: []string{"A", "B"}, By: "a test"})
		_, step := g.Declare(session.Declaration{What: session.DeclaredStep, Step: "ballast 18", By: "a test"})
		if packs != nil || step != nil {
			t.Fatal(packs, step)
		}
		got := g.Seen().Declared.Asks
		if err := g.Finish(0); err != nil {
			t.Fatal(err)
		}
		if err := os.RemoveAll(g.Folder()); err != nil { // it flew nothing
			t.Fatal(err)
		}
		ok := len(got) == len(want)
		for i := range want {
			ok = ok && strings.Contains(got[i], want[i])
		}
		if !ok {
			t.Errorf("the card asks\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
		}
	}
	asks("ballast 12 has not flown yet", "no report foresees the lift to spare of ballast 18")
	for i, kg := range []string{"0", "6", "12"} {
		fly(kg, uint64(i+1))
	}
	asks("no report tells of a steady hover at ballast 12", "no report foresees the lift to spare of ballast 18")
	if said := report(); !strings.Contains(said, "For the test card: ") {
		t.Errorf("the report does not say that it kept anything:\n%s", said)
	}
	asks()
	// The names stay and the card says more is carried under them.
	for _, row := range [][]string{
		{`ballast = "18 kg"`, `ballast = "38 kg"`, "the last report asked for ballast 18 at 78 kg, and the card now says 98 kg"},
		{`mass      = "60 kg"`, `mass      = "64 kg"`, "ballast 12 flew lighter than the card has it now", "no report tells of a steady hover at ballast 12", "the card now says 82 kg"},
	} {
		heavier := strings.Replace(string(text), row[0], row[1], 1)
		if heavier == string(text) {
			t.Fatal("the card has no " + row[0])
		}
		if err := os.WriteFile(name, []byte(heavier), 0o644); err != nil {
			t.Fatal(err)
		}
		asks(row[2:]...)
	}
	if err := os.WriteFile(name, text, 0o644); err != nil {
		t.Fatal(err)
	}
	fly("12", 4)
	asks("the last report leaves out session")
	report()
	asks()
	// Where the newest cannot be read, the one before is no last report; the hovers
	// that it tells of were flown all the same.
	newest, err := filepath.Glob(filepath.Join(dir, "shown", "0002-*.json"))
	if err != nil || len(newest) != 1 {
		t.Fatal(newest, err)
	}
	whole, err := os.ReadFile(newest[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(newest[0], whole[:len(whole)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	asks("no report foresees the lift to spare of ballast 18")
	if err := os.WriteFile(newest[0], whole, 0o644); err != nil {
		t.Fatal(err)
	}
	// What a report told of a session counts no more once a later one finds that the
	// session's log was changed.
	logs, err := filepath.Glob(filepath.Join(dir, "20*", "trips.jsonl"))
	if err != nil || len(logs) != 4 {
		t.Fatal(logs, err)
	}
	for _, name := range logs {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		at := bytes.LastIndex(text, []byte(`"ended"`)) // behind the run, which still counts as flown
		if at < 0 {
			t.Fatalf("no end in %s", name)
		}
		text[at+1] ^= 1
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	report()
	asks("no report tells of a steady hover at ballast 12", "the last report cannot tell the lift to spare of ballast 18")
	// A record that was changed counts for nothing.
	records, err := filepath.Glob(filepath.Join(dir, "shown", "*.json"))
	if err != nil || len(records) != 3 {
		t.Fatal(records, err)
	}
	for _, name := range records {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, bytes.Replace(text, []byte("ballast 18"), []byte("ballast 17"), 1), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	asks("no report tells of a steady hover at ballast 12", "no report foresees the lift to spare of ballast 18")
}
