package triplog

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

// TestPromise11_EveryCutIsNamed cuts a log at every byte: between lines it is
// cut short, within a line torn, whole only at the very end.
//
//fault:row the log is cut at every byte | the cut is told
func TestPromise11_EveryCutIsNamed(t *testing.T) {
	text := sample(t, true)
	for cut := 0; cut <= len(text); cut++ {
		want := Torn
		switch {
		case cut == len(text):
			want = Whole
		case cut == 0 || text[cut-1] == '\n':
			want = CutShort
		}
		if rep := verify(t, text[:cut]); rep.Verdict != want {
			t.Errorf("cut at %d of %d: %s (%s), want %s", cut, len(text), rep.Verdict, rep.Reason, want)
		}
	}
	t.Logf("%d cuts", len(text)+1)
}

// TestPromise11_EveryChangedByteIsNamed changes every byte to every other value.
// One change of them all cannot be told from a power cut: the very last line
// break turned to zero is what a torn write leaves too.
//
//fault:row any one byte of a log is changed | the first line that is wrong is named
func TestPromise11_EveryChangedByteIsNamed(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	text := sample(t, true)
	if testing.Short() {
		text = text[:bytes.IndexByte(text, '\n')+1]
	}
	work := bytes.Clone(text)
	line := 1
	for i, was := range text {
		for v := range 256 {
			if byte(v) == was {
				continue
			}
			work[i] = byte(v)
			rep := verify(t, work)
			if i == len(text)-1 && v == 0 {
				if rep.Verdict != Torn {
					t.Errorf("last line break turned to zero: %+v, want torn", rep)
				}
				continue
			}
			if rep.Verdict != Tampered || rep.FirstBad != line || rep.What != Changed && rep.What != "" {
				t.Fatalf("byte %d of line %d from %q to %q: %+v", i, line, was, byte(v), rep)
			}
		}
		work[i] = was
		if was == '\n' {
			line++
		}
	}
	t.Logf("%d changes of one byte", 255*len(text))
}

func lines(text []byte) []string {
	return strings.SplitAfter(strings.TrimSuffix(string(text), "\n"), "\n")
}

func TestPromise11_FirstBadLineIsNamed(t *testing.T) {
	text := sample(t, true)
	all := lines(text)
	all[len(all)-1] += "\n"
	join := func(order ...int) []byte {
		var b strings.Builder
		for _, i := range order {
			b.WriteString(all[i])
		}
		return []byte(b.String())
	}
	for _, c := range []struct {
		what string
		text []byte
		bad  int
	}{
		{"line 2 cut out", join(0, 2, 3, 4), 2},
		{"lines 3 and 4 cut out", join(0, 1, 4), 3},
		{"the head cut out", join(1, 2, 3, 4), 1},
		{"lines 2 and 3 exchanged", join(0, 2, 1, 3, 4), 2},
		{"line 5 moved to 2", join(0, 4, 1, 2, 3), 2},
		{"line 2 repeated", join(0, 1, 1, 2, 3, 4), 3},
		{"line 2 moved to the end", join(0, 2, 3, 4, 1), 2},
		{"a line of another log", []byte(strings.Replace(string(text), "link 0 up", "link 0 ok", 1)), 2},
		{"an empty line put in", []byte(strings.Replace(string(text), "\n", "\n\n", 1)), 2},
		{"CR LF line ends", bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")), 1},
		{"zeros in the middle", bytes.Replace(text, []byte("link"), []byte("\x00\x00\x00\x00"), 1), 2},
		{"a line chained anew under another number", rechained(t, join(0, 1, 2, 3), `{"v":1,"n":9,"at_ns":1,"wall":"","kind":"ended"`), 5},
		{"text behind the end", append(bytes.Clone(text), "{\"v\":1,\"n\":9"...), 6},
	} {
		rep := verify(t, c.text)
		if rep.Verdict != Tampered || rep.FirstBad != c.bad {
			t.Errorf("%s: %+v, want line %d", c.what, rep, c.bad)
		}
	}
}

// rechained adds a line with a chain value that fits.
func rechained(t *testing.T, text []byte, body string) []byte {
	return append(bytes.Clone(text), body+chainKey+chainOf(t, text, body)+chainEnd+"\n"...)
}

// TestPromise11_TornIsNotTampered: what a power cut leaves behind the last sync.
//
//fault:row a power cut tears the last write to the log | told as torn, not as changed
func TestPromise11_TornIsNotTampered(t *testing.T) {
	text := sample(t, false)
	next := `{"v":1,"n":5,"at_ns":3000000000,"wall":"2026-05-30T18:04:14.123Z","kind":"decision","decision":{"rule":"gu`
	for _, c := range []struct {
		tail string
		want Verdict
	}{
		{"", CutShort},
		{"\x00", Torn},
		{strings.Repeat("\x00", 4096), Torn},
		{strings.Repeat("\x00", maxLine+4096), Torn},
		{"{", Torn},
		{next, Torn},
		{next + strings.Repeat("\x00", 300), Torn},
		{strings.Replace(next, `"n":5`, `"n":6`, 1), Tampered},
		{strings.Replace(next, `:"2026`, `;"2026`, 1), Tampered},
		{next + "\x00" + "more", Tampered},
		{next + "\x01", Tampered},
		{"scribble", Tampered},
		{strings.Repeat("\x00", maxLine+4096) + "x", Tampered},
		{next + `st"}}`, Tampered},                                           // an object that ends without its chain
		{next + `st"},"chain":"00`, Tampered},                                // a chain that begins wrongly
		{next + `st"},"chain":"` + chainOf(t, text, next+`st"}`)[:10], Torn}, // and one that begins rightly
		{next + `st"},"chain":"` + chainOf(t, text, next+`st"}`) + `"}`, Torn},
		{next + `st"},"chain":"` + chainOf(t, text, next+`st"}`) + `"}` + "\n", CutShort},
		{next + `st"},"chain":"` + chainOf(t, text, next+`st"}`) + `"}x`, Tampered},
	} {
		rep := verify(t, append(bytes.Clone(text), c.tail...))
		if rep.Verdict != c.want {
			t.Errorf("tail %.200q: %+v, want %s", c.tail, rep, c.want)
		}
	}
}

// chainOf is the chain value that a body must have behind a log.
func chainOf(t *testing.T, text []byte, body string) string {
	all := lines(text)
	var p place
	for _, line := range all {
		if _, ok := p.accept([]byte(strings.TrimSuffix(line, "\n"))); !ok {
			t.Fatal("the sample does not verify")
		}
	}
	return sum(p.head, []byte(body)).String()
}

func TestVerify_TornHeadOfAFurtherFile(t *testing.T) {
	d := newFaulty()
	l, err := Create(d, testHead)
	if err != nil {
		t.Fatal(err)
	}
	d.failAt["write"] = d.count["write"] + 1
	if err := l.Append(Line{Kind: KindNote, Text: "one"}, true); err != nil {
		t.Fatal(err)
	}
	first, second := d.text("trips.jsonl"), d.text("trips-2.jsonl")
	for cut := 0; cut <= len(second); cut++ {
		want := Torn
		if cut > 0 && second[cut-1] == '\n' {
			want = CutShort
		}
		rep, err := walk([]io.Reader{bytes.NewReader(first), bytes.NewReader(second[:cut])}, nil)
		if err != nil || rep.Verdict != want {
			t.Fatalf("second file cut at %d of %d: %+v %v, want %s", cut, len(second), rep, err, want)
		}
		if cut > 0 {
			if rep := verify(t, second[:cut]); rep.Verdict != want {
				t.Fatalf("second file alone, cut at %d: %+v, want %s", cut, rep, want)
			}
		}
	}
	if rep := verify(t, second); rep.Continues == nil || rep.Continues.File != "trips.jsonl" || rep.Continues.N != 1 {
		t.Errorf("second file alone: %+v, want it to say what it continues", rep)
	}
}

func TestWalk_Tampered(t *testing.T) {
	d := newFaulty()
	l, err := Create(d, testHead)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		if i == 2 {
			d.failAt["sync"] = d.count["sync"] + 1
		}
		if err := l.Append(Line{Kind: KindNote, At: time.Duration(i), Text: "note"}, true); err != nil {
			t.Fatal(err)
		}
	}
	a, b := d.text("trips.jsonl"), d.text("trips-2.jsonl")
	for _, c := range []struct {
		what string
		a, b []byte
		want Verdict
		file int
	}{
		{"as written", a, b, CutShort, 0},
		{"line that is continued cut off", []byte(strings.Join(lines(a)[:2], "")), b, Tampered, 1},
		{"line that is continued changed", bytes.Replace(a, []byte("note\""), []byte("nOte\""), 2), b, Tampered, 1},
		{"superseded line damaged", append(bytes.Clone(a[:len(a)-40]), "garbage"...), b, CutShort, 0},
		{"second file changed", a, bytes.Replace(b, []byte("note\""), []byte("nOte\""), 1), Tampered, 2},
		{"second file of another log", a, bytes.ReplaceAll(b, []byte("trips.jsonl"), []byte("trips_.jsonl")), Tampered, 2},
		{"second file is the first once more", a, a, Tampered, 2},
	} {
		rep, err := walk([]io.Reader{bytes.NewReader(c.a), bytes.NewReader(c.b)}, nil)
		if err != nil || rep.Verdict != c.want || rep.File != c.file {
			t.Errorf("%s: %+v %v, want %s in file %d", c.what, rep, err, c.want, c.file)
		}
	}
}

func TestVerify_ReadErrorIsAnError(t *testing.T) {
	if _, err := walk([]io.Reader{iotest.ErrReader(os.ErrClosed)}, nil); err == nil {
		t.Error("a read error gave a verdict")
	}
	for _, err := range linesOf(iotest.ErrReader(os.ErrClosed)) {
		if err == nil {
			t.Error("a read error gave a line")
		}
	}
	if _, err := WalkFiles([]string{filepath.Join(t.TempDir(), "none")}, nil); err == nil {
		t.Error("a missing file gave a verdict")
	}
}

func TestLines_StopAtTheFirstBadLine(t *testing.T) {
	text := bytes.Replace(sample(t, true), []byte(`"count":3`), []byte(`"count":4`), 1)
	n := 0
	var last error
	for _, err := range linesOf(bytes.NewReader(text)) {
		if last = err; err == nil {
			n++
		}
	}
	if n != 3 || last == nil || !strings.Contains(last.Error(), "line 4") {
		t.Errorf("%d good lines, then %v; want 3, then line 4", n, last)
	}
}

func FuzzVerify(f *testing.F) {
	whole, open := sample(f, true), sample(f, false)
	f.Add(whole, uint16(0), byte(0))
	f.Add(open, uint16(40), byte(1))
	f.Add([]byte{}, uint16(0), byte(9))
	f.Add(append(bytes.Clone(open), 0, 0, 0), uint16(7), byte('\n'))
	f.Add(open[:len(open)-7], uint16(1), byte(7))
	f.Fuzz(func(t *testing.T, text []byte, at uint16, v byte) {
		for _, err := range linesOf(bytes.NewReader(text)) {
			if err != nil && strings.Contains(err.Error(), "newer version") {
				return // refused, not judged
			}
			break
		}
		rep := verify(t, text)
		good := 0
		for _, err := range linesOf(bytes.NewReader(text)) {
			if err == nil {
				good++
			}
		}
		if rep.Verdict == Whole && (good == 0 || text[len(text)-1] != '\n') {
			t.Fatalf("%q is called whole", text)
		}
		if rep.Verdict != Tampered && rep.Lines < uint64(good) {
			t.Fatalf("verify counts %d lines, reading gives %d", rep.Lines, good)
		}
		// No prefix of a log that is not tampered with is tampered with.
		if rep.Verdict != Tampered && len(text) > 0 {
			if cut := verify(t, text[:int(at)%len(text)]); cut.Verdict == Tampered {
				t.Fatalf("%+v, but cut at %d: %+v", rep, int(at)%len(text), cut)
			}
		}
		// A whole log with one byte changed is never whole.
		if rep.Verdict == Whole {
			work := bytes.Clone(text)
			if i := int(at) % len(work); work[i] != v {
				work[i] = v
				if again := verify(t, work); again.Verdict == Whole {
					t.Fatalf("byte %d changed and still whole", i)
				}
			}
		}
	})
}
