package ledger

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/prooftest"
)

func must(t *testing.T, errs ...error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, dir string) *Book {
	t.Helper()
	b, err := Read(dir, "test")
	must(t, err)
	return b
}

// holds wants just these to hold back, each told by some of its words.
func holds(t *testing.T, b *Book, now time.Time, tested Tested, want ...string) {
	t.Helper()
	items, _ := b.Items(now, tested)
	got := Holding(items)
	ok := len(got) == len(want)
	for i := range want {
		ok = ok && strings.Contains(got[i], want[i])
	}
	if !ok {
		t.Errorf("held back by %q, want %q", got, want)
	}
}

var noon = time.Date(2031, 5, 3, 12, 0, 0, 0, time.UTC)

func never(prooftest.Test, int) bool { return false }

// passedAt is a record on which the chain was passed behind that entry.
func passedAt(entry int) Tested {
	return func(test prooftest.Test, after int) bool { return test == prooftest.Chain && entry >= after }
}

// A fault of the chain holds back until it was tested behind it on record and
// somebody wrote what was mended, whatever the clocks say; a fault that comes later
// wants both anew.
func TestFaultWantsItsTestsAndWhatWasMended(t *testing.T) {
	dir := t.TempDir()
	b := read(t, dir)
	holds(t, b, noon, never)
	reason, live := interlock.ReasonReadbackNot.String(), interlock.Closing.String()
	for range 2 { // the same one twice is one
		_, err := b.Took(noon, "s1", time.Second, reason, live)
		must(t, err)
	}
	const fault = "fault 1 of the chain, the contactor did not close, on "
	holds(t, b, noon, passedAt(0), fault)
	holds(t, b, noon, passedAt(1), "12:00: note what was mended")
	if _, err := b.Watch(noon, 1, "later", "AB", time.Hour, ""); err == nil {
		t.Error("a fault of the chain may wait")
	}
	_, err := b.Close(noon.Add(-time.Hour), 1, "new contactor", "AB", "me")
	must(t, err)
	holds(t, b, noon, passedAt(0), "test it again (downhaul commission --only chain)")
	holds(t, b, noon, passedAt(1))
	_, err = b.Took(noon.AddDate(-3, 0, 0), "s2", time.Second, reason, live)
	must(t, err)
	holds(t, read(t, dir), noon, passedAt(2), "fault 3 of the chain")
	holds(t, read(t, dir), noon, passedAt(3), "note what was mended (downhaul defect close 3")
	if _, err := b.Close(noon, 1, "again", "AB", ""); err == nil || !strings.Contains(err.Error(), "closed already") {
		t.Errorf("closed twice: %v", err)
	}
	if _, err := b.Close(noon, 2, "a closing", "AB", ""); err == nil {
		t.Error("a closing can be closed")
	}
}

// A watchdog that held the chain through a stall is a fault of the chain as well.
func TestWatchdogThatHeldIsAFaultOfTheChain(t *testing.T) {
	f := &interlock.Effect{Kind: interlock.StateEffect, State: interlock.Fault, From: interlock.Tripped, Reason: interlock.ReasonWatchdog}
	if _, tests, ok := FaultOf(f.Reason.String(), f.From.String()); !Seen(f) || !ok || len(tests) != 1 || tests[0] != prooftest.Chain {
		t.Errorf("seen %v, a fault %v, wants %v", Seen(f), ok, tests)
	}
}

func TestDefectIsClosedOrWatchedForATime(t *testing.T) {
	dir := t.TempDir()
	b := read(t, dir)
	_, err := b.Note(noon, "arm 3 is loose", "me")
	must(t, err)
	holds(t, b, noon, never, "defect 1, arm 3 is loose: close it")
	_, err = b.Watch(noon, 1, "held by its second bolt", "AB", 72*time.Hour, "me")
	must(t, err)
	_, next := b.Items(noon, never)
	if !next.Equal(noon.Add(72 * time.Hour)) {
		t.Errorf("the watch ends at %v", next)
	}
	holds(t, b, next.Add(-1), never)
	holds(t, b, next, never, "its watch has ended")
	// A clock that was set back makes no watch longer than the newest entry allows.
	_, err = b.Note(next.Add(time.Hour), "later", "me")
	must(t, err)
	holds(t, read(t, dir), noon.AddDate(-1, 0, 0), never, "defect 1", "defect 3")
	_, err = b.Close(noon, 1, "new bolt", "AB", "me")
	must(t, err)
	_, err = b.Close(noon, 3, "looked at", "AB", "me")
	must(t, err)
	holds(t, b, next, never)
	for _, bad := range []func() (*Entry, error){
		func() (*Entry, error) { return b.Note(noon, "  ", "me") },
		func() (*Entry, error) { return b.Note(noon, "a\nb", "me") },
		func() (*Entry, error) { return b.Note(noon, strings.Repeat("x", mostText+1), "me") },
		func() (*Entry, error) { return b.Close(noon, 9, "x", "AB", "me") },
		func() (*Entry, error) { return b.Close(noon, 1, "x", "", "me") },
	} {
		if e, err := bad(); err == nil {
			t.Errorf("taken: %+v", e)
		}
	}
}

// An entry that is gone or damaged may have been a fault: it holds back until
// somebody answers for it.
//
//fault:row an entry of the ledger is gone or damaged | it holds the start back like an open defect
func TestEntryThatIsLostHoldsBack(t *testing.T) {
	for name, lose := range map[string]func(path string, text []byte) error{
		"is gone":        func(path string, _ []byte) error { return os.Remove(path) },
		"cannot be read": func(path string, text []byte) error { return os.WriteFile(path, text[:len(text)/2], 0o644) },
	} {
		dir := t.TempDir()
		b := read(t, dir)
		_, err := b.Note(noon, "one", "me")
		must(t, err)
		_, err = b.Note(noon, "two", "me")
		must(t, err)
		_, err = b.Close(noon, 2, "done", "AB", "me")
		must(t, err)
		files, err := filepath.Glob(filepath.Join(Folder(dir), "0001-*.json"))
		must(t, err)
		text, err := os.ReadFile(files[0])
		must(t, err, lose(files[0], text))
		b = read(t, dir)
		holds(t, b, noon, never, "entry 1 of the ledger "+name)
		_, err = b.Close(noon, 1, "it was arm 3, and is mended", "AB", "me")
		must(t, err)
		holds(t, read(t, dir), noon, never)
	}
}

// A board without a clock battery wakes in 1970: nobody is told that as the day of a fault.
func TestAClockThatWasNeverSetTellsNoDay(t *testing.T) {
	b := read(t, t.TempDir())
	woke := time.Unix(40, 0)
	_, err := b.Took(woke, "s", time.Second, interlock.ReasonReadbackNot.String(), "closing")
	must(t, err)
	items, _ := b.Items(woke, func(prooftest.Test, int) bool { return true })
	if got := items[0].Holds; strings.Contains(got, "19") || !strings.Contains(got, "on a day that no clock told") {
		t.Errorf("held back by %q", got)
	}
}
