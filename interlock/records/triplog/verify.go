package triplog

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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

// What happened to the first bad line. Package inspect tells what takes a closer look.
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

	behind bool // what is bad is no whole line, but what stands behind the last one
}

func stamp(rep Report, at int, p *part) Report {
	if rep.FirstBad > 0 {
		rep.File = at + 1
	}
	rep.Lines, rep.Head = p.end.n, p.end.head.String()
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
		case p.head == nil:
			return Report{Verdict: CutShort, Reason: "the file is empty: not even its head line was kept"}
		}
		return Report{Verdict: CutShort, Reason: "every line follows from the one before, but the log stops without saying that the session ended"}
	}
	kept := bytes.TrimRight(text, "\x00")
	if p.end == (place{}) {
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
	return Report{Verdict: Tampered, FirstBad: line, What: Changed, behind: true,
		Reason: fmt.Sprintf("line %d has no line break, and is not the beginning of the line that must follow", line)}
}

// couldStart reports whether the line that follows can begin so.
func couldStart(text []byte, at place) bool {
	want := opening(at.n + 1)
	if len(text) <= len(want) {
		return bytes.HasPrefix(want, text)
	}
	if !bytes.HasPrefix(text, want) || bytes.ContainsFunc(text, func(r rune) bool { return r < 0x20 }) {
		return false
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
