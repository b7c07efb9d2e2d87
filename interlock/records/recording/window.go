package recording

import (
	"bufio"
	"io"
)

// window is what stands next in a file of any length, in one bounded buffer: it hands
// out slices of that and copies nothing.
type window struct {
	br     *bufio.Reader
	held   []byte // what is in the buffer from here on
	passed int    // bytes of the buffer in front of held
}

func newWindow(in io.Reader) window { return window{br: bufio.NewReaderSize(in, bufferSize)} }

// peek looks at the next n bytes, at most bufferSize. They are valid until a peek
// reads on. Fewer come with the error that stands in the way, io.EOF at the end.
func (w *window) peek(n int) ([]byte, error) {
	if n <= len(w.held) {
		return w.held[:n], nil
	}
	return w.more(n)
}

func (w *window) more(n int) ([]byte, error) {
	_, _ = w.br.Discard(w.passed)
	b, err := w.br.Peek(n)
	w.held, _ = w.br.Peek(w.br.Buffered())
	w.passed = 0
	return b, err
}

// pass goes on by n bytes that a peek has shown.
func (w *window) pass(n int) { w.held, w.passed = w.held[n:], w.passed+n }
