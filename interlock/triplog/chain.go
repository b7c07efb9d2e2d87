package triplog

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
)

// link is one value of the chain. Before the first line it is all zero.
type link [sha256.Size]byte

const (
	chainKey = `,"chain":"`
	chainEnd = `"}`
	// chainTail is the length of the chain field with the closing brace.
	chainTail = len(chainKey) + 2*sha256.Size + len(chainEnd)
)

// chainWriter takes what zerolog renders, adds the chain field and writes the
// whole line with one Write. It keeps the error: zerolog itself would only
// print it.
type chainWriter struct {
	file   io.Writer
	head   link   // chain of the last line written
	buf    []byte // head and line side by side, for the sum
	called bool
	err    error
}

// Write is given one rendered object and its line break.
func (w *chainWriter) Write(p []byte) (int, error) {
	w.called = true
	body := p[:len(p)-len("}\n")]
	w.buf = append(w.buf[:0], w.head[:]...)
	w.buf = append(w.buf, body...)
	sum := sha256.Sum256(w.buf)
	w.buf = append(w.buf, chainKey...)
	w.buf = hex.AppendEncode(w.buf, sum[:])
	w.buf = append(w.buf, chainEnd+"\n"...)
	line := w.buf[len(w.head):]
	n, err := w.file.Write(line)
	if err == nil && n != len(line) {
		err = io.ErrShortWrite
	}
	if err != nil {
		w.err = err
	} else {
		w.head = sum
	}
	return len(p), nil
}
