package triplog

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"
)

// Record is one line as read back.
type Record struct {
	V        int             `json:"v"`
	N        uint64          `json:"n"`
	AtNS     int64           `json:"at_ns"`
	Wall     time.Time       `json:"wall"`
	Kind     Kind            `json:"kind"`
	State    string          `json:"state"`
	Decision json.RawMessage `json:"decision"` // byte for byte as given
	Head     *Head           `json:"head"`
	Text     string          `json:"text"`
	Count    uint64          `json:"count"`
	Chain    string          `json:"chain"`
}

// At is the engine time of the line.
func (r *Record) At() time.Duration { return time.Duration(r.AtNS) }

// ErrBroken is wrapped by the error that ends Lines at the first line that is
// not as it was written; Verify says more.
var ErrBroken = errors.New("trip log is broken here; run verify on it")

// newer returns an error for a first line that a newer version of this program wrote:
// its number of the version is higher, and it is no line of ours that was edited.
func newer(text []byte, at place) error {
	rest, ok := bytes.CutPrefix(text, []byte(`{"v":`))
	digits, rest, cut := bytes.Cut(rest, []byte(","))
	if v, err := strconv.Atoi(string(digits)); !ok || !cut || err != nil || v <= Version {
		return nil
	}
	ours := append([]byte(`{"v":1,`), rest...)
	if _, ok := at.accept(ours); ok {
		return nil
	}
	return fmt.Errorf("the trip log was written by a newer version of this program (form %s; this one reads %d): read it with that one", digits, Version)
}

// place is where the chain stands: the link and number of the line before.
type place struct {
	n    uint64
	head link
}

// startOf is the place in front of the first line: the beginning, or for a
// further file the line that its head says it continues.
func startOf(first []byte) place {
	var rec Record
	if !bytes.Contains(first, []byte(`"continues"`)) || json.Unmarshal(first, &rec) != nil || rec.Head == nil || rec.Head.Continues == nil {
		return place{}
	}
	var p place
	c := rec.Head.Continues
	if len(c.Chain) != 2*len(p.head) {
		return place{}
	}
	if _, err := hex.Decode(p.head[:], []byte(c.Chain)); err != nil {
		return place{}
	}
	p.n = c.N
	return p
}

// startOfTail is startOf for a first line that was not finished: as much as can
// be told.
func startOfTail(text []byte) place {
	if cut := bytes.LastIndex(text, []byte(chainKey)); cut > 0 {
		return startOf(append(append([]byte(nil), text[:cut]...), '}'))
	}
	tail, ok := bytes.CutPrefix(text, []byte(`{"v":1,"n":`))
	if !ok {
		return place{}
	}
	digits, _, _ := bytes.Cut(tail, []byte(","))
	n, err := strconv.ParseUint(string(digits), 10, 64)
	if err != nil || n == 0 {
		return place{}
	}
	return place{n: n - 1}
}

// opening is how the line of that number begins.
func opening(n uint64) []byte {
	b := append([]byte(nil), `{"v":1,"n":`...)
	b = strconv.AppendUint(b, n, 10)
	return append(b, `,"at_ns":`...)
}

// split takes the chain off a line; ok false when it has not the form.
func split(text []byte) (body []byte, chain link, ok bool) {
	cut := len(text) - chainTail
	if cut < 1 {
		return nil, chain, false
	}
	tail := text[cut:]
	digits, found := bytes.CutPrefix(tail, []byte(chainKey))
	if !found {
		return nil, chain, false
	}
	digits, found = bytes.CutSuffix(digits, []byte(chainEnd))
	if !found || bytes.ContainsAny(digits, "ABCDEF") {
		return nil, chain, false
	}
	if _, err := hex.Decode(chain[:], digits); err != nil {
		return nil, chain, false
	}
	return text[:cut], chain, true
}

// sum is the link that a line's bytes make after another link.
func sum(before link, body []byte) (out link) {
	h := sha256.New()
	h.Write(before[:])
	h.Write(body)
	h.Sum(out[:0])
	return out
}

// accept moves on by one line if it follows.
func (p *place) accept(text []byte) (link, bool) {
	body, chain, ok := split(text)
	if !ok || !bytes.HasPrefix(body, opening(p.n+1)) || sum(p.head, body) != chain {
		return link{}, false
	}
	p.n++
	p.head = chain
	return chain, true
}

// lineReader cuts at line breaks with bounded memory.
type lineReader struct {
	r    *bufio.Reader
	buf  []byte
	most int // bytes of a line that are kept, its break included
	line int // number of the line given last, from 1

	ahead bool // text and whole are given next: see peek
	text  []byte
	whole bool
}

func newLineReader(r io.Reader) *lineReader {
	return &lineReader{r: bufio.NewReaderSize(r, 8<<10), most: maxLine}
}

// peek gives what next will give.
func (in *lineReader) peek() (text []byte, whole bool, err error) {
	in.text, in.whole, err = in.next()
	in.ahead = err == nil
	return in.text, in.whole, err
}

// next gives the next line without its break. whole false is the tail: what
// stands after the last break, empty at a proper end. A line longer than
// most comes cut off there, and fails whatever check it meets; zeros behind
// it are what a power cut leaves, and are dropped.
func (in *lineReader) next() (text []byte, whole bool, err error) {
	if in.ahead {
		in.ahead = false
		return in.text, in.whole, nil
	}
	in.buf = in.buf[:0]
	for {
		part, err := in.r.ReadSlice('\n')
		// Once a line is marked as too long there is no room: it runs on past
		// any number of read buffers.
		if room := max(in.most-len(in.buf), 0); len(part) > room {
			beyond := part[room:]
			in.buf = append(in.buf, part[:room]...)
			if len(in.buf) == in.most && len(bytes.Trim(beyond, "\x00")) > 0 {
				in.buf = append(in.buf, 0xFF) // never part of a good line
			}
		} else {
			in.buf = append(in.buf, part...)
		}
		switch {
		case err == nil:
			in.line++
			if len(in.buf) > 0 && in.buf[len(in.buf)-1] == '\n' {
				return in.buf[:len(in.buf)-1], true, nil
			}
			return in.buf, true, nil
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF):
			if len(in.buf) > 0 {
				in.line++
			}
			return in.buf, false, nil
		default:
			return nil, false, err
		}
	}
}
