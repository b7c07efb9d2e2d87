package inspect

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/triplog"
)

// sample is a log of five lines that ended in order.
func sample(t *testing.T) []byte {
	t.Helper()
	dir := t.TempDir()
	log, err := triplog.Create(triplog.Folder(dir), triplog.Head{Session: "s", Wall: time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC)})
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range []triplog.Line{
		{Kind: triplog.KindHost, Text: "link 0 up"}, {Kind: triplog.KindDecision, Decision: []byte(`{"kind":"state","state":"blocked"}`)},
		{Kind: triplog.KindNote, Text: "a remark"}, {Kind: triplog.KindEnded},
	} {
		l.At = time.Duration(i+1) * time.Second
		if err := log.Append(l, true); err != nil {
			t.Fatal(err)
		}
	}
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, triplog.PartName(1)))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func inspected(t *testing.T, text []byte) triplog.Report {
	t.Helper()
	name := filepath.Join(t.TempDir(), triplog.PartName(1))
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
	rep, err := Files(name)
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

// What happened to the first bad line is told.
func TestPromise11_LinesCutOutMovedOrRepeated(t *testing.T) {
	text := sample(t)
	all := strings.SplitAfter(strings.TrimSuffix(string(text), "\n"), "\n")
	all[len(all)-1] += "\n"
	join := func(order ...int) []byte {
		var b strings.Builder
		for _, i := range order {
			b.WriteString(all[i])
		}
		return []byte(b.String())
	}
	renumbered := bytes.Replace(text, []byte(`"n":3,`), []byte(`"n":7,`), 1)
	for _, c := range []struct {
		what  string
		text  []byte
		bad   int
		found triplog.What
		says  string
	}{
		{"line 2 cut out", join(0, 2, 3, 4), 2, triplog.Cut, "1 line(s) in front of it"},
		{"lines 3 and 4 cut out", join(0, 1, 4), 3, triplog.Cut, "2 line(s) in front of it"},
		{"the head cut out", join(1, 2, 3, 4), 1, triplog.Cut, ""},
		{"lines 2 and 3 exchanged", join(0, 2, 1, 3, 4), 2, triplog.Reordered, "stands further down, at line 3"},
		{"line 5 moved to 2", join(0, 4, 1, 2, 3), 2, triplog.Reordered, "at line 3"},
		{"line 2 repeated", join(0, 1, 1, 2, 3, 4), 3, triplog.Reordered, "belongs further up"},
		{"line 2 moved to the end", join(0, 2, 3, 4, 1), 2, triplog.Reordered, "at line 5"},
		{"only its number changed", renumbered, 3, triplog.Changed, "not as it was written"},
		{"a line of another log", []byte(strings.Replace(string(text), "link 0 up", "link 0 ok", 1)), 2, triplog.Changed, "not as it was written"},
		{"an empty line put in", []byte(strings.Replace(string(text), "\n", "\n\n", 1)), 2, triplog.Changed, ""},
		{"CR LF line ends", bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")), 1, triplog.Changed, ""},
		{"zeros in the middle", bytes.Replace(text, []byte("link"), []byte("\x00\x00\x00\x00"), 1), 2, triplog.Changed, ""},
		{"a line without end", append(bytes.Clone(text), bytes.Repeat([]byte("x"), 3<<20)...), 6, triplog.Changed, ""},
		{"a cut in front of a line without end", append(join(0, 2), bytes.Repeat([]byte("x"), 3<<20)...), 2, triplog.Cut, ""},
	} {
		rep := inspected(t, c.text)
		if rep.Verdict != triplog.Tampered || rep.FirstBad != c.bad || rep.What != c.found || !strings.Contains(rep.Reason, c.says) {
			t.Errorf("%s: %+v, want line %d %s", c.what, rep, c.bad, c.found)
		}
	}
}

// Any one byte that is changed is a line that was changed, and a log as it was written
// is whole.
func TestChangedByteIsToldAsThat(t *testing.T) {
	text := sample(t)
	if rep := inspected(t, text); rep.Verdict != triplog.Whole || rep.What != "" {
		t.Errorf("%+v", rep)
	}
	for i := range len(text) - 1 {
		work := bytes.Clone(text)
		work[i] ^= 1
		if rep := inspected(t, work); rep.Verdict != triplog.Tampered || rep.What != triplog.Changed {
			t.Errorf("byte %d (%q): %+v", i, text[i], rep)
		}
	}
}
