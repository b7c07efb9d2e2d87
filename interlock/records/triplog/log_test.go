package triplog

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"testing"
	"time"
)

var testHead = Head{
	Session:  "2026-05-30T18-04-11Z-3f2a",
	Files:    []FileHash{{Name: "envelope.toml", SHA256: "00ff"}},
	Wall:     time.Date(2026, 5, 30, 18, 4, 11, 123456789, time.UTC),
	Software: "0.1", Arch: "amd64",
}

// sample is a log as a session writes it.
func sample(t testing.TB, ended bool) []byte {
	t.Helper()
	dir := t.TempDir()
	l, err := Create(Folder(dir), testHead)
	if err != nil {
		t.Fatal(err)
	}
	lines := []Line{
		{At: 5, Kind: KindHost, Text: "link 0 up"},
		{At: 1500 * time.Millisecond, Kind: KindDecision, State: "tripped", Decision: []byte(`{"kind":"ended","rule":"gust","value":9.25}`)},
		{At: 2 * time.Second, Kind: KindLost, Count: 3},
	}
	if ended {
		lines = append(lines, Line{At: 3 * time.Second, Kind: KindEnded, State: "tripped"})
	}
	for i, line := range lines {
		if err := l.Append(line, i%2 == 1); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "trips.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func verify(t testing.TB, text []byte) Report {
	t.Helper()
	rep, err := walk([]io.Reader{bytes.NewReader(text)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

func TestLog_FormAndReadBack(t *testing.T) {
	text := sample(t, true)
	if rep := verify(t, text); rep.Verdict != Whole || rep.Lines != 5 || rep.FirstBad != 0 {
		t.Fatalf("report %+v", rep)
	}
	for _, line := range bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n")) {
		if !json.Valid(line) {
			t.Errorf("not JSON: %s", line)
		}
	}
	var got []Record
	for rec, err := range linesOf(bytes.NewReader(text)) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, rec)
	}
	if len(got) != 5 || got[0].Kind != KindHead || got[0].Head.Session != testHead.Session {
		t.Fatalf("records %+v", got)
	}
	d := got[2]
	if string(d.Decision) != `{"kind":"ended","rule":"gust","value":9.25}` || d.State != "tripped" || d.At() != 1500*time.Millisecond {
		t.Errorf("decision line %+v", d)
	}
	if want := "2026-05-30T18:04:12.623Z"; d.Wall.Format("2006-01-02T15:04:05.000Z07:00") != want {
		t.Errorf("wall %v, want %s", d.Wall, want)
	}
	if got[3].Count != 3 || got[4].Kind != KindEnded {
		t.Errorf("records %+v", got[3:])
	}
}

func TestLog_RefusesWhatBreaksTheForm(t *testing.T) {
	l, err := Create(Folder(t.TempDir()), testHead)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []Line{
		{Kind: "rubbish"}, {Kind: KindHead}, {Kind: KindNote, At: -1},
		{Kind: KindDecision, Decision: []byte("{\n}")}, {Kind: KindDecision, Decision: []byte("[]")},
		{Kind: KindDecision, Decision: []byte{}}, {Kind: KindNote, Text: string(make([]byte, maxLine))},
	} {
		if err := l.Append(line, true); err == nil {
			t.Errorf("line %+v was taken", line)
		}
	}
	if err := l.Append(Line{Kind: KindEnded}, true); err != nil {
		t.Fatal(err)
	}
	if err := l.Append(Line{Kind: KindNote}, true); err != errEnded {
		t.Errorf("after the end: %v, want ErrEnded", err)
	}
}

func TestCreate_DoesNotOverwrite(t *testing.T) {
	dir := t.TempDir()
	l, err := Create(Folder(dir), testHead)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := Create(Folder(dir), testHead); err == nil {
		t.Error("a second log was made over the first")
	}
}

func TestAppend_DoesNotAllocate(t *testing.T) {
	l, err := Create(discard{}, testHead)
	if err != nil {
		t.Fatal(err)
	}
	line := Line{At: time.Second, Kind: KindDecision, State: "live", Decision: []byte(`{"effect":"caution","rule":"gust","value":6.3}`), Text: "remark"}
	appendOne := func() {
		if err := l.Append(line, true); err != nil {
			t.Fatal(err)
		}
	}
	appendOne()
	if n := testing.AllocsPerRun(200, appendOne); n != 0 {
		t.Errorf("%v allocations a line, want none", n)
	}
}

type discard struct{}

func (discard) Create(string) (File, error) { return discard{}, nil }
func (discard) Remove(string) error         { return nil }
func (discard) SyncFolder() error           { return nil }
func (discard) Standing() error             { return nil }
func (discard) Write(p []byte) (int, error) { return len(p), nil }
func (discard) Sync() error                 { return nil }
func (discard) Close() error                { return nil }

func BenchmarkAppend(b *testing.B) {
	l, err := Create(discard{}, testHead)
	if err != nil {
		b.Fatal(err)
	}
	line := Line{At: time.Second, Kind: KindDecision, State: "live", Decision: []byte(`{"effect":"caution","rule":"gust","value":6.3,"limit":6.2584}`)}
	b.ReportAllocs()
	for b.Loop() {
		line.At += time.Millisecond
		if err := l.Append(line, true); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkVerify(b *testing.B) {
	dir := b.TempDir()
	l, err := Create(Folder(dir), testHead)
	if err != nil {
		b.Fatal(err)
	}
	for i := range 1000 {
		if err := l.Append(Line{At: time.Duration(i), Kind: KindDecision, Decision: fmt.Appendf(nil, `{"i":%d}`, i)}, false); err != nil {
			b.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "trips.jsonl"))
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if rep := verify(b, text); rep.Verdict != CutShort {
			b.Fatal(rep)
		}
	}
}

// linesOf gives the lines of one file that is in memory.
func linesOf(r io.Reader) iter.Seq2[Record, error] {
	return sequence(func(take func(*Record) bool) (Report, error) { return walk([]io.Reader{r}, take) })
}
