package commission

import (
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
)

func TestSkippedIsNotPassed(t *testing.T) {
	r, h, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop, prooftest.Signals}, nil,
		cue{phrase: "emergency stop. Ready?", answer: "skip", once: true},
		cue{phrase: "emergency stop. Ready?", answer: "skip the electrician comes tomorrow"},
		cue{phrase: "Did the buzzer", answer: "no"}, cue{phrase: "Did the lamp", answer: "skip too bright out here"})
	if err != nil {
		t.Fatal(err)
	}
	if got := result(t, r, prooftest.Stop, prooftest.Skipped); got.Reason != "the electrician comes tomorrow" {
		t.Errorf("reason %q", got.Reason)
	}
	if !slices.Contains(h.said, "Say why: skip, and the reason behind it.") {
		t.Error("a skip without a reason was taken")
	}
	// What was found before cannot be skipped away.
	finds(t, result(t, r, prooftest.Signals, prooftest.Failed), "buzzer was not heard")
}

// Broken off half-way nothing has passed, but what failed has failed; whether
// the input ends, or the run is stopped in the middle of a test.
func TestBrokenOffPassesNothing(t *testing.T) {
	p := testPad(t, t.TempDir())
	for name, stop := range map[string]string{
		"at a question":      "Did the lamp",
		"between two":        "buttons and gate. Ready?",
		"with hands at work": "Press start",
		"while it operates":  "buzzer works",
	} {
		r, err := runUntil(t, p, stop, cue{phrase: "Did the buzzer", answer: "no"})
		if err == nil || !errors.Is(err, errBroken) || !r.Interrupted {
			t.Fatalf("%s: %v, record %+v", name, err, r)
		}
		result(t, r, prooftest.Chain, prooftest.Unfinished)
		if stop != "buzzer works" {
			result(t, r, prooftest.Signals, prooftest.Failed)
		}
		if got, ok := r.Test(prooftest.Buttons); ok && got.Outcome != prooftest.Unfinished {
			t.Errorf("%s: buttons %s", name, got.Outcome)
		}
		s := prooftest.Stand(p, []*prooftest.Record{r}, r.Made, "virtual")
		for _, proof := range s.Proofs {
			if !proof.Due() || !proof.Passed.IsZero() {
				t.Errorf("%s: %s", name, proof.Says())
			}
		}
	}
}

func TestRecordIsWholeOrNotThere(t *testing.T) {
	dir := t.TempDir()
	r := &prooftest.Record{Schema: prooftest.Schema, Made: time.Date(2031, 4, 1, 9, 30, 0, 0, time.UTC), By: "A. <B>", Software: "test",
		Tests: []prooftest.Result{{Test: prooftest.Chain, Outcome: prooftest.Passed, Figures: []prooftest.Figure{{Name: "pick-up, most", Value: 0.0151, Unit: "s"}}}}}
	path, err := numbered.Write(prooftest.Folder(dir), r.Made, &r.Number, r)
	if err != nil {
		t.Fatal(err)
	}
	if filepath.Base(path) != "0001-2031-04-01T093000Z.json" {
		t.Errorf("named %s", path)
	}
	if _, err = numbered.Write(prooftest.Folder(dir), r.Made, &r.Number, r); err != nil || r.Number != 2 {
		t.Fatalf("the second is number %d: %v", r.Number, err)
	}
	entries, _ := os.ReadDir(prooftest.Folder(dir))
	if len(entries) != 2 {
		t.Errorf("left behind: %v", entries)
	}
	got, trouble, err := prooftest.Records(dir)
	if err != nil || len(trouble) != 0 || len(got) != 2 || got[1].By != "A. <B>" || got[0].Number != 1 || !got[0].Made.Equal(r.Made) {
		t.Fatalf("read back %+v, %v, %v", got, trouble, err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// Every single byte changed, and every cut, is found.
	for i := range text {
		changed := slices.Clone(text)
		changed[i] ^= 1
		if numbered.Decode(changed, new(prooftest.Record)) == nil {
			t.Errorf("byte %d (%q) can be changed", i, text[i])
		}
		if numbered.Decode(text[:i], new(prooftest.Record)) == nil {
			t.Errorf("cut at %d it still counts", i)
		}
	}
	// One that is damaged, or under another's number, is told and left out, and
	// nothing before it counts: it may have taken that back.
	if err := os.WriteFile(path, text[:len(text)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	got, trouble, err = prooftest.Records(dir)
	if err != nil || len(got) != 1 || got[0].Number != 2 || len(trouble) != 1 || !errors.Is(trouble[0], numbered.ErrDamaged) {
		t.Errorf("%d records, trouble %v, %v", len(got), trouble, err)
	}
	if err := os.WriteFile(filepath.Join(prooftest.Folder(dir), "0009-copy.json"), text, 0o644); err != nil {
		t.Fatal(err)
	}
	got, trouble, err = prooftest.Records(dir)
	if err != nil || len(got) != 0 || len(trouble) != 3 {
		t.Errorf("%d records, trouble %v, %v", len(got), trouble, err)
	}
	// Numbers go on behind the highest, damaged or not.
	if _, err = numbered.Write(prooftest.Folder(dir), r.Made, &r.Number, r); err != nil || r.Number != 10 {
		t.Errorf("number %d after 9: %v", r.Number, err)
	}
	if got, trouble, err = prooftest.Records(t.TempDir()); len(got)+len(trouble) != 0 || err != nil {
		t.Errorf("an empty folder: %v, %v, %v", got, trouble, err)
	}
}

func day(n int) time.Time { return time.Date(2031, 4, n, 12, 0, 0, 0, time.UTC) }

// made is a record of one test of a pad.
func made(p *pad.Pad, number int, at time.Time, outcome prooftest.Outcome, tests ...prooftest.Test) *prooftest.Record {
	r := &prooftest.Record{Schema: prooftest.Schema, Number: number, Made: at, Pad: prooftest.PadFile{SHA256: hex.EncodeToString(p.Hash[:])}, Board: prooftest.BoardID{Machine: "virtual"}}
	for _, test := range tests {
		one := prooftest.Result{Test: test, Outcome: outcome, At: at}
		if test == prooftest.Rotors {
			one.Figures = []prooftest.Figure{{Name: stopTimeFigure, Value: 2.4, Unit: "s"}}
		}
		r.Tests = append(r.Tests, one)
	}
	return r
}

func TestStanding(t *testing.T) {
	p := testPad(t, t.TempDir())
	other := testPad(t, t.TempDir(), `title      = "table"`, `title = "another"`)
	all := prooftest.Fitting(p)
	of := func(now time.Time, records ...*prooftest.Record) map[prooftest.Test]prooftest.Proof {
		out := map[prooftest.Test]prooftest.Proof{}
		for _, proof := range prooftest.Stand(p, records, now, "virtual").Proofs {
			out[proof.Test] = proof
		}
		return out
	}
	// Nothing yet: all are due.
	got := of(day(1))
	if len(got) != len(all) {
		t.Errorf("%d tests stand, want %d", len(got), len(all))
	}
	if says := got[prooftest.Chain].Says(); says != "proof test due: relay and chain, never passed" || !got[prooftest.Chain].Due() {
		t.Errorf("%q", says)
	}
	// Passed: in force for 30 d, due to the instant.
	first := made(p, 1, day(1), prooftest.Passed, all...)
	if got = of(day(2), first); got[prooftest.Chain].Due() || got[prooftest.Chain].Says() != "relay and chain: in force for 29 d, last passed 2031-04-01" {
		t.Errorf("%q", got[prooftest.Chain].Says())
	}
	if got = of(day(31).Add(-time.Second), first); got[prooftest.Stop].Due() || !strings.Contains(got[prooftest.Stop].Says(), "less than a day") {
		t.Errorf("a second before: %q", got[prooftest.Stop].Says())
	}
	if got = of(day(31), first); !got[prooftest.Stop].Due() || got[prooftest.Stop].Says() != "proof test due: emergency stop, last passed 2031-04-01" {
		t.Errorf("after 30 d: %q", got[prooftest.Stop].Says())
	}
	// A later failure takes it back, a later skip or a run broken off does not;
	// and what is passed later counts again.
	if got = of(day(3), first, made(p, 2, day(2), prooftest.Failed, prooftest.Stop)); !got[prooftest.Stop].Due() || got[prooftest.Chain].Due() || got[prooftest.Stop].Says() != "proof test due: emergency stop, failed 2031-04-02" {
		t.Errorf("failed later: %q", got[prooftest.Stop].Says())
	}
	if got = of(day(3), first, made(p, 2, day(2), prooftest.Skipped, prooftest.Stop), made(p, 3, day(2), prooftest.Unfinished, prooftest.Stop)); got[prooftest.Stop].Due() {
		t.Errorf("skipped later: %q", got[prooftest.Stop].Says())
	}
	if got = of(day(4), first, made(p, 2, day(2), prooftest.Failed, prooftest.Stop), made(p, 3, day(3), prooftest.Passed, prooftest.Stop)); got[prooftest.Stop].Due() {
		t.Errorf("passed again: %q", got[prooftest.Stop].Says())
	}
	// Another pad file, another machine: nothing of it counts.
	elsewhere := made(p, 1, day(1), prooftest.Passed, all...)
	elsewhere.Board.Machine = "machine 0123456789abcdef"
	if got = of(day(2), elsewhere, made(other, 2, day(1), prooftest.Passed, all...)); !got[prooftest.Chain].Due() {
		t.Errorf("%q", got[prooftest.Chain].Says())
	}
	// A clock that woke in 1970 makes nothing young.
	s := prooftest.Stand(p, []*prooftest.Record{first, made(p, 2, day(40), prooftest.Passed, prooftest.Signals)}, time.Unix(0, 0), "virtual")
	for _, proof := range s.Proofs {
		if proof.Due() != (proof.Test != prooftest.Signals) {
			t.Errorf("by a clock of 1970: %s", proof.Says())
		}
	}
	if !s.ClockBehind {
		t.Error("nobody says that the clock is behind")
	}
}

func TestChainToRotorsStands(t *testing.T) {
	p := testPad(t, t.TempDir())
	typed := testPad(t, t.TempDir(), "[[link]]", "[stop]\nmeasured = \"3 s\"\nmethod = \"video\"\ndate = \"2031-04-01\"\nby = \"A. B.\"\n\n[[link]]")
	// A time by hand shows that the chain reaches the rotors, and is due again as
	// well. Without it or a record nobody has seen that.
	for _, c := range []struct {
		p   *pad.Pad
		now time.Time
		due bool
	}{{typed, day(20), false}, {typed, day(1).AddDate(0, 2, 0), true}, {p, day(20), true}} {
		found := false
		for _, proof := range prooftest.Stand(c.p, nil, c.now, "virtual").Proofs {
			if proof.Test == prooftest.Rotors {
				found = true
				if proof.Due() != c.due {
					t.Errorf("%v: %s", c.now, proof.Says())
				}
			}
		}
		if !found {
			t.Error("the stop time of the pad file has no standing")
		}
	}
}
