package rehearsed

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/stopping"
)

var noon = time.Date(2031, 5, 3, 12, 0, 0, 0, time.UTC)

func must(t *testing.T, errs ...error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

// holding is what the ledger of a log folder holds a start back for.
func holding(t *testing.T, logs string) string {
	t.Helper()
	b, err := ledger.Read(logs, "test")
	must(t, err)
	items, _ := b.Items(noon, untested)
	return strings.Join(ledger.Holding(items), "\n")
}

func begin(t *testing.T, logs string) (*ledger.Book, *Rehearsal) {
	t.Helper()
	b, err := ledger.Read(logs, "test")
	must(t, err)
	r, err := Begin(logs, b, noon, "test", "AB", stopping.Of{Craft: "eight", Motors: 8, Contactor: "K1"})
	must(t, err)
	return b, r
}

// What an end leaves, and each place where it can be killed: whoever reads the records
// brings it to the same, once.
func TestARehearsalThatIsKilledAtItsEnd(t *testing.T) {
	for name, lose := range map[string][]string{
		"nothing": {}, "before all": {"ledger/0003*", "rehearsals/0002*", "stop/*"}, "behind the first opening": {"ledger/0003*", "rehearsals/0002*", "stop/0002*"},
		"before its record": {"ledger/0003*", "rehearsals/0002*"}, "before its defect was closed": {"ledger/0003*"},
	} {
		t.Run(name, func(t *testing.T) {
			logs := t.TempDir()
			_, r := begin(t, logs)
			if holds := holding(t, logs); !strings.Contains(holds, "defect 1, a rehearsal on the real board has no end on record") {
				t.Errorf("begun, it does not hold back: %q", holds)
			}
			for i, mirror := range []string{"open", "closed"} {
				o := stopping.Record{Schema: stopping.Schema, Made: noon, Session: "s", Kind: stopping.Opening, Of: stopping.Of{Model: true},
					AtS: float64(i), Output: 0.5, Loaded: true, LiveS: 10, Mirror: mirror}
				must(t, o.Write(r.Dir))
			}
			must(t, r.Took(noon, "s", time.Second, interlock.ReasonReadbackClosed, interlock.Live))
			n, err := r.End(noon, "ended by the crew")
			must(t, err)
			if n != 2 {
				t.Errorf("%d openings", n)
			}
			for _, pattern := range lose {
				names, err := filepath.Glob(filepath.Join(logs, pattern))
				must(t, err)
				if len(names) == 0 {
					t.Fatalf("nothing is called %s", pattern)
				}
				for _, name := range names {
					must(t, os.Remove(name))
				}
			}
			for range 2 {
				b, err := ledger.Read(logs, "test")
				must(t, err, Settle(logs, b, noon))
			}
			if holds := holding(t, logs); strings.Contains(holds, "rehearsal on the real board has no end") || !strings.Contains(holds, "fault 2 of the chain, power was not removed") {
				t.Errorf("held back by %q", holds)
			}
			tally, trouble := stopping.Tally{}.ReadOn(logs)
			must(t, trouble...)
			if p := tally.Prove(stopping.Of{Craft: "eight", Contactor: "K1"}); p.Worn.Openings != 2 || p.Loaded != 0 || p.Worn.Live != 0 || p.UpTo() != 0 {
				t.Errorf("it counts as %+v", p)
			}
			if records, _, _ := records(logs); len(records) != 2 || records[1].Begun != records[0].Number || records[1].Openings != 2 {
				t.Errorf("on record: %+v", records)
			}
		})
	}
}

// Where the records of one that broke off are gone, nobody knows what they held: its
// defect stands until somebody closes it.
func TestARehearsalWhoseRecordsAreGone(t *testing.T) {
	logs := t.TempDir()
	b, r := begin(t, logs)
	must(t, os.RemoveAll(r.Dir), Settle(logs, b, noon))
	if holds := holding(t, logs); !strings.Contains(holds, "has no end on record") {
		t.Errorf("held back by %q", holds)
	}
	_, err := b.Close(noon, 1, "looked into it", "AB", "me")
	must(t, err, Settle(logs, b, noon))
	if holds := holding(t, logs); holds != "" {
		t.Errorf("held back by %q", holds)
	}
}

// A rehearsal that was closed by hand still gives its openings to whoever reads it, and a
// second one in the same second is refused, with nothing left behind.
func TestARehearsalThatWasClosedByHand(t *testing.T) {
	logs := t.TempDir()
	b, r := begin(t, logs)
	if _, err := Begin(logs, b, noon, "test", "AB", stopping.Of{}); err == nil {
		t.Error("two in one folder")
	}
	_, err := b.Close(noon, 1, "looked into it", "AB", "me")
	must(t, err)
	o := stopping.Record{Schema: stopping.Schema, Made: noon, Session: "s", Kind: stopping.Opening, Mirror: "open"}
	must(t, o.Write(r.Dir), Settle(logs, b, noon))
	records, trouble, err := records(logs)
	must(t, append(trouble, err)...)
	if len(records) != 2 || records[1].Openings != 1 {
		t.Errorf("on record: %+v", records)
	}
}
