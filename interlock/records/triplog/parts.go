package triplog

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"strconv"

	"downhaul/interlock/records/plain"
)

// part is one file of a log as far as it was gone through.
type part struct {
	in    *lineReader
	head  *Head // nil where its first line is none
	start place // in front of its first line
	end   place // behind its last good line
	ended bool  // that line is `ended`
	bad   Report
	// A later file goes on behind line limit, that of number by; 0 is none. What stands
	// behind that line was written anew there.
	by    int
	limit uint64
}

// begin looks at the first line.
func (p *part) begin(r io.Reader) error {
	p.in = newLineReader(r)
	text, whole, err := p.in.peek()
	if err != nil || !whole {
		return err
	}
	p.start = startOf(text)
	p.end = p.start
	at := p.start
	if _, ok := at.accept(text); !ok {
		p.bad = Report{Verdict: Tampered, FirstBad: 1, Reason: "line 1 is not as it was written"}
		return newer(text, p.start)
	}
	var rec Record
	if json.Unmarshal(text, &rec) != nil || rec.Kind != KindHead || rec.Head == nil {
		p.bad = Report{Verdict: Tampered, FirstBad: 1, What: Changed, Reason: "line 1 is not a head line"}
		return nil
	}
	p.head = rec.Head
	return nil
}

// walk goes on to the last line that counts, or to what is bad behind the last good
// one; false where take has seen enough.
func (p *part) walk(take func(*Record) bool) (on bool, err error) {
	for p.bad.Verdict == "" && (p.by == 0 || p.end.n < p.limit) {
		text, whole, err := p.in.next()
		if err != nil {
			return false, err
		}
		if !whole {
			p.bad = p.tail(text, p.in.line)
			break
		}
		if _, ok := p.end.accept(text); !ok {
			p.bad = Report{Verdict: Tampered, FirstBad: p.in.line, Reason: fmt.Sprintf("line %d is not as it was written", p.in.line)}
			break
		}
		p.ended = bytes.Contains(text, []byte(`,"kind":"ended"`)) && kindOf(text) == KindEnded
		if take == nil {
			continue
		}
		var rec Record
		if err := json.Unmarshal(text, &rec); err != nil {
			return false, fmt.Errorf("line %d: %w", p.in.line, err)
		}
		if !take(&rec) {
			return false, nil
		}
	}
	return true, nil
}

// continued finds out which files count, from the last one back: each says which line of
// which file before it goes on from. A file that nobody continues and that is not the last
// one (it could not be removed after a failure) counts for nothing, and neither does a
// last one in which nothing stands yet: the file was made, and the power went. The report
// is that of a file which does not fit.
func continued(parts []part) (counts []int, empty int, rep Report) {
	for i := len(parts) - 1; i > 0; {
		p := &parts[i]
		if p.head == nil && p.bad.Verdict != Tampered && len(counts) == 0 {
			empty = i + 1
			i--
			continue
		}
		if p.head == nil || p.head.Continues == nil {
			return nil, 0, badStart(i, "it does not say which line it continues")
		}
		c, j := p.head.Continues, i-1
		for j >= 0 && PartName(j+1) != c.File {
			j--
		}
		if j < 0 {
			return nil, 0, badStart(i, "it continues "+strconv.Quote(c.File)+", which is not among the files before it")
		}
		if c.N < parts[j].start.n {
			return nil, 0, badStart(i, fmt.Sprintf("it continues line %d, which does not stand in file %d", c.N, j+1))
		}
		parts[j].by, parts[j].limit = i, c.N
		counts = append(counts, i)
		i = j
	}
	return append(counts, 0), empty, Report{}
}

// walk goes once through the files of one log as if it were one. It shows take the
// lines that count, one after the other, as long as it answers true, and reports how the
// log stands.
func walk(readers []io.Reader, take func(*Record) bool) (Report, error) {
	if len(readers) == 0 {
		return Report{Verdict: CutShort, Head: link{}.String(), Reason: "there is no trip log"}, nil
	}
	parts := make([]part, len(readers))
	for i, r := range readers {
		if err := parts[i].begin(r); err != nil {
			return Report{}, fmt.Errorf("read trip log, file %d: %w", i+1, err)
		}
	}
	counts, empty, rep := continued(parts)
	for n := len(counts) - 1; n >= 0; n-- {
		i := counts[n]
		p := &parts[i]
		on, err := p.walk(take)
		if err != nil {
			return Report{}, fmt.Errorf("read trip log, file %d: %w", i+1, err)
		}
		if rep = stamp(p.bad, i, p); !on {
			return rep, nil
		}
		switch {
		case p.by == 0:
		case p.end.n < p.limit && p.bad.Verdict == Tampered:
			return rep.coded(), nil
		case p.end.n < p.limit:
			return Report{Verdict: Tampered, FirstBad: int(p.end.n-p.start.n) + 1, File: i + 1, What: Cut,
				Reason: fmt.Sprintf("file %d continues line %d, but file %d ends after line %d: lines were cut off", p.by+1, p.limit, i+1, p.end.n),
				Head:   rep.Head, Lines: rep.Lines}.coded(), nil
		case p.end.head != parts[p.by].start.head:
			return badStart(p.by, fmt.Sprintf("it continues line %d of file %d with another chain value", p.limit, i+1)), nil
		}
	}
	if empty > 0 && len(counts) > 0 {
		rep = stamp(noteEmpty(rep, empty), counts[0], &parts[counts[0]])
	}
	if h := parts[0].head; h != nil {
		rep.Continues = h.Continues
	}
	return rep.coded(), nil
}

// coded adds the head as somebody writes it on paper.
func (r Report) coded() Report {
	if r.Lines > 0 {
		r.HeadCode = Code(r.Head)
	}
	return r
}

// WalkFiles is walk on files by name.
func WalkFiles(names []string, take func(*Record) bool) (Report, error) {
	var readers []io.Reader
	for _, name := range names {
		f, err := plain.Open(name, plain.TripLog)
		if err != nil {
			return Report{}, fmt.Errorf("open trip log: %w", err)
		}
		defer f.Close()
		readers = append(readers, f)
	}
	return walk(readers, take)
}

// FileLines gives the lines of one log, each checked against the chain; where it is kept
// in several files, in order, as if it were one: lines that a later file has written anew,
// and files that none continues, are left out. Heads of further files come too. It ends at
// what stands behind the last whole line (which is no line), or with an error at the first
// line that does not verify and where one file does not go on from the other.
func FileLines(names ...string) iter.Seq2[Record, error] {
	return sequence(func(take func(*Record) bool) (Report, error) { return WalkFiles(names, take) })
}

func sequence(walk func(take func(*Record) bool) (Report, error)) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		over := false
		rep, err := walk(func(r *Record) bool { over = !yield(*r, nil); return !over })
		if err == nil && rep.Verdict == Tampered && !rep.behind {
			err = fmt.Errorf("%s: %w", rep.Reason, ErrBroken)
		}
		if err != nil && !over {
			yield(Record{}, err)
		}
	}
}
