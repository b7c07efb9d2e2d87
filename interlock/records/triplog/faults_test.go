package triplog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"
)

var errFault = errors.New("injected fault")

// faulty is a disk in memory that keeps apart what was synced, and fails where
// it is told to.
type faulty struct {
	files  map[string]*memFile
	count  map[string]int  // operations so far, by name
	failAt map[string]int  // the operation of that name and number fails
	always map[string]bool // every operation of that name fails
	all    int             // all operations so far
	at     int             // this one of them fails; 0 none
	upTo   int             // and all from there up to this one
}

type memFile struct {
	d      *faulty
	name   string
	text   []byte
	synced int
	failed bool // a write or sync failed: nothing may follow but Close
	closed bool
}

func newFaulty() *faulty {
	return &faulty{files: map[string]*memFile{}, count: map[string]int{}, failAt: map[string]int{}, always: map[string]bool{}}
}

func (d *faulty) fails(op string) bool {
	d.count[op]++
	d.all++
	return d.failAt[op] == d.count[op] || d.always[op] || d.at != 0 && d.all >= d.at && d.all <= max(d.at, d.upTo)
}

func (d *faulty) text(name string) []byte { return d.files[name].text }

func (d *faulty) Create(name string) (File, error) {
	if d.fails("create") {
		return nil, errFault
	}
	if _, taken := d.files[name]; taken {
		return nil, os.ErrExist
	}
	f := &memFile{d: d, name: name}
	d.files[name] = f
	return f, nil
}

func (d *faulty) Remove(name string) error {
	if d.fails("remove") {
		return errFault
	}
	delete(d.files, name)
	return nil
}

func (d *faulty) Standing() error { return nil }

func (d *faulty) SyncFolder() error {
	if d.fails("folder") {
		return errFault
	}
	return nil
}

func (f *memFile) note(what string) {
	if f.failed || f.closed {
		panic(fmt.Sprintf("%s on %s after a failure or close", what, f.name))
	}
}

func (f *memFile) Write(p []byte) (int, error) {
	f.note("write")
	if f.d.fails("write") {
		f.failed = true
		n := len(p) / 2
		f.text = append(f.text, p[:n]...)
		if f.d.all%2 == 0 {
			return n, nil // a short write without an error
		}
		return n, errFault
	}
	f.text = append(f.text, p...)
	return len(p), nil
}

func (f *memFile) Sync() error {
	f.note("sync")
	if f.d.fails("sync") {
		f.failed = true
		return errFault
	}
	f.synced = len(f.text)
	return nil
}

func (f *memFile) Close() error {
	if f.closed {
		panic("closed twice")
	}
	f.closed = true
	if f.d.fails("close") {
		return errFault
	}
	return nil
}

// parts are the files in order; lose keeps of each no more than was synced and
// a random bit of the rest, as a power cut does.
func (d *faulty) parts(lose *rand.Rand) []io.Reader {
	var names []string
	for name := range d.files {
		names = append(names, name)
	}
	sort.Slice(names, func(i, j int) bool {
		return len(names[i]) < len(names[j]) || len(names[i]) == len(names[j]) && names[i] < names[j]
	})
	var out []io.Reader
	for _, name := range names {
		f := d.files[name]
		text := f.text
		if lose != nil {
			text = text[:f.synced+lose.IntN(len(f.text)-f.synced+1)]
		}
		out = append(out, bytes.NewReader(text))
	}
	return out
}

// run writes a session's worth of lines; durable ones are retried by Sync as the
// guard does. It gives the texts that the log promised to have on disk.
func run(d *faulty) (promised []string, ok bool) {
	l, err := Create(d, testHead)
	if err != nil {
		return nil, false
	}
	var waiting []string
	for i := range 12 {
		text := fmt.Sprintf("line-%02d", i)
		waiting = append(waiting, text)
		if err := l.Append(Line{At: time.Duration(i) * 300 * time.Millisecond, Kind: KindNote, Text: text}, i%3 == 0); err == nil && i%3 == 0 {
			promised, waiting = append(promised, waiting...), nil
		}
		if i%4 == 3 && l.Sync() == nil {
			promised, waiting = append(promised, waiting...), nil
		}
	}
	if err := l.Append(Line{At: 4 * time.Second, Kind: KindEnded}, true); err == nil {
		promised, waiting = append(promised, waiting...), nil
	}
	for range 3 {
		if l.Sync() == nil {
			promised, waiting = append(promised, waiting...), nil
		}
	}
	_ = l.Close()
	return promised, len(waiting) == 0
}

// TestLog_EveryFailureAtEveryOperation fails each operation in turn, alone and
// in runs, then cuts the power. The log stays readable, what was promised is
// there, once and in order, and no file is used after it failed.
//
//fault:row any one operation on the trip log's files fails | no line is lost in silence
func TestLog_EveryFailureAtEveryOperation(t *testing.T) {
	clean := newFaulty()
	if promised, ok := run(clean); !ok || len(promised) != 12 {
		t.Fatalf("without a fault %d lines are promised, want 12", len(promised))
	}
	seen := 0
	for length := range 6 {
		for at := 1; at <= clean.all+length; at++ {
			d := newFaulty()
			d.at, d.upTo = at, at+length
			promised, _ := run(d)
			if len(d.files) == 0 {
				continue // the log was never begun
			}
			rnd := rand.New(rand.NewPCG(uint64(at), uint64(length)))
			for _, lose := range []*rand.Rand{nil, rnd, rnd} {
				seen++
				rep, err := walk(d.parts(lose), nil)
				if err != nil || rep.Verdict == Tampered {
					t.Fatalf("operations %d to %d failed: %+v %v", at, d.upTo, rep, err)
				}
				if got := kept(t, d.parts(nil)); lose == nil && !inOrder(got, promised) {
					t.Fatalf("operations %d to %d failed: %q promised, %q kept", at, d.upTo, promised, got)
				}
			}
			if got := synced(t, d); !inOrder(got, promised) {
				t.Fatalf("operations %d to %d failed, power cut: %q promised, %q kept", at, d.upTo, promised, got)
			}
		}
	}
	if seen < 400 {
		t.Errorf("only %d cases were looked at", seen)
	}
}

func synced(t *testing.T, d *faulty) []string {
	never := newFaulty()
	for name, f := range d.files {
		never.files[name] = &memFile{d: never, name: name, text: f.text[:f.synced], synced: f.synced}
	}
	return kept(t, never.parts(nil))
}

// kept reads the texts that count, as whoever replays the log does.
func kept(t *testing.T, parts []io.Reader) []string {
	t.Helper()
	dir := t.TempDir()
	var names []string
	for i, p := range parts {
		text, err := io.ReadAll(p)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, filepath.Join(dir, PartName(i+1)))
		if err := os.WriteFile(names[i], text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var texts []string
	var n uint64
	for rec, err := range FileLines(names...) {
		if err != nil {
			t.Fatal(err)
		}
		if rec.N != n+1 {
			t.Fatalf("line %d behind line %d", rec.N, n)
		}
		n = rec.N
		if rec.Text != "" {
			texts = append(texts, rec.Text)
		}
	}
	return texts
}

// inOrder reports whether all wanted texts are there once, in order.
func inOrder(got, want []string) bool {
	var of []string
	for _, g := range got {
		if slices.Contains(want, g) {
			of = append(of, g)
		}
	}
	return slices.Equal(of, want)
}

// TestLog_LinesWaitWhileNoFileTakesThem: a full disk for a while; afterwards
// everything is there in a new file, and what memory could not hold is counted.
func TestLog_LinesWaitWhileNoFileTakesThem(t *testing.T) {
	d := newFaulty()
	l, err := Create(d, testHead)
	if err != nil {
		t.Fatal(err)
	}
	d.always["write"] = true
	big := strings.Repeat("x", 64<<10)
	failed := 0
	for i := range 200 {
		if l.Append(Line{At: time.Duration(i) * time.Millisecond, Kind: KindNote, Text: big}, false) != nil {
			failed++
		}
	}
	if err := l.Append(Line{At: time.Second, Kind: KindDecision, Decision: []byte(`{"trip":1}`)}, true); !errors.Is(err, errFault) && !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("durable line on a full disk: %v, want the cause", err)
	}
	st := l.Status()
	if failed != 200 || st.Lost == 0 || st.Cause == nil || st.Kept != 1 {
		t.Errorf("%d refusals, status %+v", failed, st)
	}
	if got := d.count["create"]; got > 6 {
		t.Errorf("%d files were tried within a second of engine time", got)
	}
	d.always["write"] = false
	if err := l.Sync(); err != nil {
		t.Fatal(err)
	}
	rep, err := walk(d.parts(nil), nil)
	if err != nil || rep.Verdict != CutShort {
		t.Fatalf("%+v %v", rep, err)
	}
	text := string(d.text("trips-2.jsonl"))
	if !strings.Contains(text, `{"trip":1}`) || !strings.Contains(text, fmt.Sprintf(`"count":%d`, st.Lost)) {
		t.Error("the trip or the count of lost lines is missing from the new file")
	}
	if len(d.files) != 2 {
		t.Errorf("%d files are left, want 2: failed attempts are to be removed", len(d.files))
	}
}

// TestLog_KilledProcess kills a writing process and reads what it left.
func TestLog_KilledProcess(t *testing.T) {
	if dir := os.Getenv("TRIPLOG_WRITE_TO"); dir != "" {
		l, err := Create(Folder(dir), testHead)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; ; i++ {
			if err := l.Append(Line{At: time.Duration(i), Kind: KindNote, Text: fmt.Sprint("line ", i)}, i%64 == 0); err != nil {
				t.Fatal(err)
			}
		}
	}
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestLog_KilledProcess$")
	cmd.Env = append(os.Environ(), "TRIPLOG_WRITE_TO="+dir)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "trips.jsonl")
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if st, err := os.Stat(name); err == nil && st.Size() > 20_000 {
			break
		}
		if time.Now().After(deadline) {
			_ = cmd.Process.Kill()
			t.Fatal("the process wrote nothing in 20 s")
		}
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	names, err := Parts(dir)
	if err != nil || len(names) != 1 {
		t.Fatal(names, err)
	}
	rep, err := WalkFiles(names, nil)
	if err != nil || (rep.Verdict != CutShort && rep.Verdict != Torn) || rep.Lines < 50 {
		t.Errorf("%+v %v", rep, err)
	}
}
