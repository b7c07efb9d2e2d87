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

// chainWriter adds the chain field to a line and writes the whole of it with one
// Write.
type chainWriter struct {
	file io.Writer
	head link   // chain of the last line written
	buf  []byte // head and line side by side, for the sum
}

// begin returns the room for a line's object, behind the head.
func (w *chainWriter) begin() []byte { return append(w.buf[:0], w.head[:]...) }

// write is given that room with the object in it, not closed yet.
func (w *chainWriter) write(text []byte) error {
	w.buf = text
	sum := sha256.Sum256(w.buf)
	w.buf = append(w.buf, chainKey...)
	w.buf = hex.AppendEncode(w.buf, sum[:])
	w.buf = append(w.buf, chainEnd+"\n"...)
	line := w.buf[len(w.head):]
	n, err := w.file.Write(line)
	if err == nil && n != len(line) {
		err = io.ErrShortWrite
	}
	if err == nil {
		w.head = sum
	}
	return err
}
