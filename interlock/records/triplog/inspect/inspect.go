// Package inspect tells what happened to the first bad line of a trip log: whether it
// was changed, stands in another place than it was written, or lines in front of it
// are missing. For who reads logs afterwards: a guard only has to know that one is bad.
package inspect

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"

	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/triplog"
)

// mostLine is what a good line is far below; chainKey is what its chain stands behind.
const (
	mostLine = 1 << 20
	chainKey = `,"chain":"`
)

// Files is triplog.WalkFiles with a closer look at a first line that is bad.
func Files(names ...string) (triplog.Report, error) {
	rep, err := triplog.WalkFiles(names, nil)
	if err != nil || rep.Verdict != triplog.Tampered || rep.What != "" || rep.File == 0 {
		return rep, err
	}
	f, err := plain.Open(names[rep.File-1], plain.TripLog)
	if err != nil {
		return rep, err
	}
	defer f.Close()
	err = look(&rep, f)
	return rep, err
}

// look fills in what happened to the first bad line of a file. Lines and Head of the
// report are the number and the chain of the line before it.
func look(rep *triplog.Report, r io.Reader) error {
	rep.What = triplog.Changed
	in := bufio.NewReaderSize(r, mostLine)
	var text []byte
	for range rep.FirstBad {
		var err error
		if text, err = in.ReadSlice('\n'); err != nil && !errors.Is(err, io.EOF) {
			return ignoreLong(err)
		}
	}
	text = bytes.TrimSuffix(text, []byte("\n"))
	next := rep.Lines + 1
	n, rest, ok := number(text)
	body, chain, framed := split(rest)
	if !ok || !framed || n == next {
		return nil
	}
	// Was only the number changed? With the right one the chain would fit.
	head, err := hex.DecodeString(rep.Head)
	if err != nil {
		return err
	}
	h := sha256.New()
	fmt.Fprintf(h, `%s{"v":1,"n":%d,"at_ns":%s`, head, next, body)
	if bytes.Equal(h.Sum(nil), chain) {
		return nil
	}
	if n < next {
		rep.What = triplog.Reordered
		rep.Reason = fmt.Sprintf("line %d carries number %d, which belongs further up", rep.FirstBad, n)
		return nil
	}
	for line := rep.FirstBad + 1; ; line++ {
		text, err := in.ReadSlice('\n')
		if m, _, ok := number(text); ok && m == next {
			rep.What = triplog.Reordered
			rep.Reason = fmt.Sprintf("line %d carries number %d; number %d stands further down, at line %d", rep.FirstBad, n, next, line)
			return nil
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			line-- // a part of a line
		} else if errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return err
		}
	}
	rep.What = triplog.Cut
	rep.Reason = fmt.Sprintf("line %d carries number %d: %d line(s) in front of it were cut out", rep.FirstBad, n, n-next)
	return nil
}

// ignoreLong leaves a line that is too long for what it is: changed.
func ignoreLong(err error) error {
	if errors.Is(err, bufio.ErrBufferFull) {
		return nil
	}
	return err
}

// number reads a line's number; rest is what stands behind `,"at_ns":`.
func number(text []byte) (n uint64, rest []byte, ok bool) {
	tail, ok := bytes.CutPrefix(text, []byte(`{"v":1,"n":`))
	if !ok {
		return 0, nil, false
	}
	digits, rest, ok := bytes.Cut(tail, []byte(`,"at_ns":`))
	if !ok || len(digits) > 20 {
		return 0, nil, false
	}
	n, err := strconv.ParseUint(string(digits), 10, 64)
	return n, rest, err == nil
}

// split takes the chain off the rest of a line; ok false when it has not the form.
func split(rest []byte) (body, chain []byte, ok bool) {
	at := bytes.LastIndex(rest, []byte(chainKey))
	if at < 0 {
		return nil, nil, false
	}
	digits, ok := bytes.CutSuffix(rest[at+len(chainKey):], []byte(`"}`))
	chain, err := hex.DecodeString(string(digits))
	return rest[:at], chain, ok && err == nil && len(chain) == sha256.Size
}
