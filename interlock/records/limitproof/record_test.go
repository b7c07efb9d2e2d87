package limitproof

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/rules"
)

// A proof counts for the bytes of both files and for the software, whatever
// the day; the newest of them decides.
func TestDueIsForExactlyTheseFiles(t *testing.T) {
	p, e := &pad.Pad{Hash: [32]byte{1}}, &rules.Envelope{Hash: [32]byte{2}}
	made := func(envelope, padFile byte, software string, passed bool) *Record {
		x, y := [32]byte{envelope}, [32]byte{padFile}
		return &Record{Made: time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC), Software: software, Passed: passed,
			Envelope: File{SHA256: hex.EncodeToString(x[:])}, Pad: File{SHA256: hex.EncodeToString(y[:])}}
	}
	never, other, failed := "not proved for exactly these files", "another version", "failed 2031-05-03"
	for _, c := range []struct {
		records []*Record
		want    string
	}{
		{nil, never},
		{[]*Record{made(2, 9, "v1", true), made(9, 1, "v1", true), made(1, 2, "v1", true)}, never},
		{[]*Record{made(2, 1, "v1", true)}, ""},
		{[]*Record{made(2, 1, "v0", true)}, other},
		{[]*Record{made(2, 1, "v1", true), made(2, 1, "v0", false)}, ""},
		{[]*Record{made(2, 1, "v1", true), made(2, 1, "v1", false)}, failed},
		{[]*Record{made(2, 1, "v1", false), made(2, 1, "v1", true), made(2, 9, "v1", false)}, ""},
	} {
		got := Due(p, e, "v1", 0, c.records)
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%d records: %q, want %q", len(c.records), got, c.want)
		}
	}
}

// A proof of a predicted apex holds for the reaction that it was made with: another
// time until the thrust is gone, measured since, asks for it anew. Where no rule and
// no condition is on the apex it changes nothing, nor where nobody asks for it.
func TestDueIsForTheReactionThatWasProved(t *testing.T) {
	p := &pad.Pad{Hash: [32]byte{1}}
	plain := rules.Envelope{Hash: [32]byte{2}}
	rule, start := plain, plain
	rule.Rules = []rules.Rule{{Watch: rules.Tension}, {Watch: rules.Apex}}
	start.Permissives = []rules.Permissive{{Watch: rules.Apex}}
	record := &Record{Software: "v1", Passed: true, ReactionS: 0.65}
	record.Envelope.SHA256, record.Pad.SHA256 = hex.EncodeToString(plain.Hash[:]), hex.EncodeToString(p.Hash[:])
	for _, c := range []struct {
		e        *rules.Envelope
		reaction time.Duration
		due      bool
	}{
		{&rule, 650 * time.Millisecond, false}, {&rule, 650400 * time.Microsecond, false}, {&rule, 651 * time.Millisecond, true}, {&rule, 649 * time.Millisecond, true},
		{&start, 650 * time.Millisecond, false}, {&start, time.Second, true}, {&plain, time.Second, false}, {&rule, AnyReaction, false},
	} {
		got := Due(p, c.e, "v1", c.reaction, []*Record{record})
		if (got != "") != c.due || c.due && !strings.Contains(got, "the limits were proved for a stop in which the thrust is gone 650 ms after a sample, and now it is ") {
			t.Errorf("%v: %q, want due %v", c.reaction, got, c.due)
		}
	}
}

func TestRecordComesBackAsItWasKept(t *testing.T) {
	dir := t.TempDir()
	r := &Record{Schema: Schema, Made: time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC), Software: "downhaul", Passed: true,
		NotProven: []string{"gust"}, Report: []byte(`{"schema":1,"rules":[]}`)}
	if _, err := numbered.Write(Folder(dir), r.Made, &r.Number, r); err != nil {
		t.Fatal(err)
	}
	got, trouble, err := Records(dir)
	if err != nil || len(trouble) != 0 || len(got) != 1 || got[0].Number != 1 || !got[0].Passed || got[0].NotProven[0] != "gust" || !strings.Contains(string(got[0].Report), "rules") {
		t.Fatalf("%+v, %v, %v", got, trouble, err)
	}
}
