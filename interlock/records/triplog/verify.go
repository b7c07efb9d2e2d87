package triplog

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"downhaul/interlock/records/plain"
)

// Verdict is what Verify finds.
type Verdict string

// The verdicts.
const (
	Whole    Verdict = "whole"     // every line follows and the last one is `ended`
	CutShort Verdict = "cut short" // every line follows, but there is no `ended`
	Torn     Verdict = "torn"      // as cut short, and a tail that a power cut can leave
	Tampered Verdict = "tampered"  // a line is not as it was written
)

// What happened to the first bad line. Package inspect tells, where it takes a closer
// look.
type What string

// The ways in which a log is tampered with.
const (
	Changed   What = "changed"
	Cut       What = "cut"       // lines are missing in front of it
	Reordered What = "reordered" // it stands in another place than it was written
)

// Report is the result of Verify.
type Report struct {
	Verdict Verdict `json:"verdict"`
	Lines   uint64  `json:"lines"` // good lines, superseded ones left out
	Head    string  `json:"head"`  // chain of the last good line, hex
	// HeadCode is Head as somebody writes it on paper; empty without a line.
	HeadCode string `json:"head_code"`
	// FirstBad is the number of the first bad line in its file, from 1, and
	// File the number of that file, from 1; 0 when nothing is bad. For a torn
	// log it is the torn tail.
	FirstBad int    `json:"first_bad,omitempty"`
	File     int    `json:"file,omitempty"`
	What     What   `json:"what,omitempty"`
	Reason   string `json:"reason"` // in plain words
	// Continues is set when the first file given is itself a continuation: what
	// it says of the line before was taken on its word.
	Continues *Continues `json:"continues,omitempty"`
}

// VerifyFiles is VerifyParts on files by name.
func VerifyFiles(names ...string) (Report, error) {
	var parts []io.Reader
	for _, name := range names {
		f, err := plain.Open(name, plain.TripLog)
		if err != nil {
			return Report{}, fmt.Errorf("open trip log: %w", err)
		}
		defer f.Close()
		parts = append(parts, f)
	}
	return VerifyParts(parts...)
}

// part is what was found in one file.
type part struct {
	start place
	links map[uint64]link // of the good lines that a further file says it continues
	end   place
	ended bool // the last good line is `ended`
	bad   Report
	head  *Head
}

// holds reports whether there is a good line.
func (p *part) holds() bool { return p.end.n > p.start.n }

// VerifyParts reads the files of one log in order: trips.jsonl, trips-2.jsonl
// and on.
func VerifyParts(readers ...io.Reader) (Report, error) {
	rep, err := verifyParts(readers)
	if rep.Lines > 0 {
		rep.HeadCode = Code(rep.Head)
	}
	return rep, err
}

func verifyParts(readers []io.Reader) (Report, error) {
	if len(readers) == 0 {
		return Report{Verdict: CutShort, Head: link{}.String(), Reason: "there is no trip log"}, nil
	}
	// A log can be long: of its chain only the lines are kept that a further file
	// continues, so each file's first line is read before all the rest.
	var files []*lineReader
	continued := map[uint64]bool{}
	for i, r := range readers {
		in := newLineReader(r)
		first, err := in.peek()
		if err != nil {
			return Report{}, fmt.Errorf("read trip log, file %d: %w", i+1, err)
		}
		files = append(files, in)
		continued[startOf(first).n] = true
	}
	var parts []part
	for i, in := range files {
		p, err := readPart(in, continued)
		if err != nil {
			return Report{}, fmt.Errorf("read trip log, file %d: %w", i+1, err)
		}
		parts = append(parts, p)
	}
	// from[i] is the last line of part i that counts, once a later file
	// continues it; a file that nobody continues and that is not the last one
	// (it could not be removed after a failure) counts for nothing.
	last := len(parts) - 1
	for i := last; i > 0; {
		p := &parts[i]
		if !p.holds() && p.bad.Verdict != Tampered {
			// Nothing stands in it yet: the file was made, and the power went.
			parts[i-1].bad = noteEmpty(parts[i-1].bad, i+1)
			i--
			last = i
			continue
		}
		c := (*Continues)(nil)
		if p.head != nil {
			c = p.head.Continues
		}
		if c == nil {
			return badStart(i, "it does not say which line it continues"), nil
		}
		j := i - 1
		for j >= 0 && PartName(j+1) != c.File {
			j--
		}
		if j < 0 {
			return badStart(i, "it continues "+strconv.Quote(c.File)+", which is not among the files before it"), nil
		}
		prev := &parts[j]
		was, known := prev.links[c.N]
		switch {
		case c.N <= prev.start.n && !(c.N == prev.start.n && p.start.head == prev.start.head):
			return badStart(i, fmt.Sprintf("it continues line %d, which does not stand in file %d", c.N, j+1)), nil
		case c.N > prev.end.n:
			if prev.bad.Verdict == Tampered {
				return stamp(prev.bad, j, parts[:j+1]), nil
			}
			return Report{Verdict: Tampered, FirstBad: int(prev.end.n-prev.start.n) + 1, File: j + 1, What: Cut,
				Reason: fmt.Sprintf("file %d continues line %d, but file %d ends after line %d: lines were cut off", i+1, c.N, j+1, prev.end.n),
				Head:   prev.end.head.String(), Lines: prev.end.n}, nil
		case c.N > prev.start.n && (!known || was != p.start.head):
			return badStart(i, fmt.Sprintf("it continues line %d of file %d with another chain value", c.N, j+1)), nil
		}
		i = j
	}
	if c := parts[0].head; c != nil && c.Continues != nil {
		rep := stamp(parts[last].bad, last, parts)
		rep.Continues = c.Continues
		return rep, nil
	}
	return stamp(parts[last].bad, last, parts), nil
}

func stamp(rep Report, at int, parts []part) Report {
	if rep.FirstBad > 0 {
		rep.File = at + 1
	}
	rep.Lines, rep.Head = parts[at].end.n, parts[at].end.head.String()
	return rep
}

func noteEmpty(rep Report, file int) Report {
	if rep.Verdict == Tampered {
		return rep
	}
	return Report{Verdict: Torn, Reason: rep.Reason + fmt.Sprintf("; file %d was begun and holds no whole line", file)}
}

func badStart(i int, why string) Report {
	return Report{Verdict: Tampered, FirstBad: 1, File: i + 1, What: Changed,
		Head: link{}.String(), Reason: fmt.Sprintf("file %d: %s", i+1, why)}
}

// String is the link in hex.
func (l link) String() string { return hex.EncodeToString(l[:]) }

// readPart walks one file. continued are the numbers of the lines whose links are
// kept.
func readPart(in *lineReader, continued map[uint64]bool) (part, error) {
	p := part{links: map[uint64]link{}}
	for {
		text, whole, err := in.next()
		if err != nil {
			return p, err
		}
		if !whole {
			p.bad = p.tail(text, in.line)
			return p, nil
		}
		if in.line == 1 {
			p.start = startOf(text)
			p.end = p.start
		}
		chain, ok := p.end.accept(text)
		if ok && in.line == 1 {
			var rec Record
			if json.Unmarshal(text, &rec) != nil || rec.Kind != KindHead || rec.Head == nil {
				p.end = p.start
				p.bad = Report{Verdict: Tampered, FirstBad: 1, What: Changed, Reason: "line 1 is not a head line"}
				return p, nil
			}
			p.head = rec.Head
		}
		if !ok {
			if err := newer(text, p.end); err != nil && in.line == 1 {
				return p, err
			}
			p.bad = Report{Verdict: Tampered, FirstBad: in.line, Reason: fmt.Sprintf("line %d is not as it was written", in.line)}
			return p, nil
		}
		if continued[p.end.n] {
			p.links[p.end.n] = chain
		}
		p.ended = bytes.Contains(text, []byte(`,"kind":"ended"`)) && kindOf(text) == KindEnded
	}
}

func kindOf(text []byte) Kind {
	var rec struct {
		Kind Kind `json:"kind"`
	}
	if json.Unmarshal(text, &rec) != nil {
		return ""
	}
	return rec.Kind
}

// tail judges what stands after the last line break.
func (p *part) tail(text []byte, line int) Report {
	if len(text) == 0 {
		switch {
		case p.ended:
			return Report{Verdict: Whole, Reason: "every line follows from the one before and the log ended in order"}
		case !p.holds():
			return Report{Verdict: CutShort, Reason: "the file is empty: not even its head line was kept"}
		}
		return Report{Verdict: CutShort, Reason: "every line follows from the one before, but the log stops without saying that the session ended"}
	}
	kept := bytes.TrimRight(text, "\x00")
	if !p.holds() {
		p.start = startOfTail(kept)
		p.end = p.start
	}
	if couldStart(kept, p.end) {
		why := "the last line was not finished: that is what a power cut leaves"
		if len(kept) == 0 {
			why = "after the last line the file holds only zeros: that is what a power cut leaves"
		}
		return Report{Verdict: Torn, FirstBad: line, Reason: why}
	}
	return Report{Verdict: Tampered, FirstBad: line, What: Changed,
		Reason: fmt.Sprintf("line %d has no line break, and is not the beginning of the line that must follow", line)}
}

// couldStart reports whether the line that follows can begin so.
func couldStart(text []byte, at place) bool {
	want := opening(at.n + 1)
	if len(text) <= len(want) {
		return bytes.HasPrefix(want, text)
	}
	if !bytes.HasPrefix(text, want) {
		return false
	}
	for _, c := range text {
		if c < 0x20 {
			return false
		}
	}
	// What there is must be the beginning of one JSON object.
	dec := json.NewDecoder(bytes.NewReader(text))
	closed := false
	for depth := 0; !closed; {
		tok, err := dec.Token()
		if err != nil {
			if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
				return false
			}
			break
		}
		switch tok {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		closed = depth == 0
	}
	if closed && dec.InputOffset() != int64(len(text)) {
		return false // something stands behind the object
	}
	// As far as the chain field is there, it must be right.
	cut := bytes.LastIndex(text, []byte(chainKey))
	if cut < 0 {
		return !closed // the object cannot end without its chain
	}
	right := sum(at.head, text[:cut])
	full := append([]byte(chainKey), right.String()...)
	full = append(full, chainEnd...)
	return bytes.HasPrefix(full, text[cut:])
}
