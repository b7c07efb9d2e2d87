package triplog

import (
	"bytes"
	"errors"
	"io"
	"testing"
)

// cutLines is what a lineReader must give, worked out with the whole text in
// memory: lines, and the tail behind the last break.
func cutLines(text []byte, most int) (lines [][]byte, tail []byte) {
	all := bytes.Split(text, []byte{'\n'})
	for i, line := range all {
		full := line
		if i < len(all)-1 {
			full = append(bytes.Clone(line), '\n')
		}
		if len(full) > most {
			kept := full[:most:most]
			if len(bytes.Trim(full[most:], "\x00")) > 0 {
				kept = append(kept, 0xFF)
			}
			line = kept
		}
		all[i] = line
	}
	return all[:len(all)-1], all[len(all)-1]
}

// readLines reads a text by lineReader and holds it to cutLines.
func readLines(t *testing.T, text []byte, most int) {
	t.Helper()
	lines, tail := cutLines(text, most)
	in := newLineReader(bytes.NewReader(text))
	in.most = most
	for i, want := range lines {
		got, whole, err := in.next()
		if err != nil || !whole || in.line != i+1 || !bytes.Equal(got, want) {
			t.Fatalf("line %d: %d bytes, whole %v, number %d, %v; want %d bytes", i+1, len(got), whole, in.line, err, len(want))
		}
	}
	got, whole, err := in.next()
	if err != nil || whole || !bytes.Equal(got, tail) {
		t.Fatalf("tail: %d bytes, whole %v, %v; want %d bytes", len(got), whole, err, len(tail))
	}
	if cap(in.buf) > 2*most {
		t.Fatalf("%d bytes held for lines of at most %d", cap(in.buf), most)
	}
}

// A line that runs on past the largest size must not matter where the read
// buffer of 8 KiB ends: every length around every such border near the largest
// line, behind texts of several lengths, at an end of the file and before
// another line, of letters and with zeros behind it.
func TestLineReader_LongLinesAcrossEveryBorder(t *testing.T) {
	const buffer, most = 8 << 10, 64 << 10
	for _, before := range []int{0, 1, 300, buffer - 1, buffer} {
		first := append(bytes.Repeat([]byte{'a'}, before), '\n')
		for _, border := range []int{buffer, most - buffer, most, most + buffer, most + 2*buffer, most + 5*buffer} {
			for off := -2; off <= 2; off++ {
				for _, shift := range []int{0, len(first)} { // the border of the line, and of the file
					n := max(border+off-shift, 0)
					for _, zeros := range []int{0, 1, max(n-most, 0), buffer} {
						zeros = min(zeros, n)
						line := append(bytes.Repeat([]byte{'x'}, n-zeros), make([]byte, zeros)...)
						readLines(t, append(bytes.Clone(first), line...), most)
						readLines(t, append(append(bytes.Clone(first), line...), "\nlast\n"...), most)
					}
				}
			}
		}
	}
}

// Whatever reads a log meets a line of over a megabyte as a fault, not as an end
// of the program.
//
//fault:row a line of many megabytes stands in a log | told as changed, by the tools and at the start
func TestVerify_LineOfManyMegabytes(t *testing.T) {
	good := sample(t, true)
	for _, n := range []int{maxLine, maxLine + 8<<10, maxLine + 100<<10, 5 * maxLine} {
		long := append(bytes.Clone(good), bytes.Repeat([]byte{'x'}, n)...)
		for _, text := range [][]byte{long, append(bytes.Clone(long), '\n'), append(append(bytes.Clone(long), '\n'), good...)} {
			rep, err := walk([]io.Reader{bytes.NewReader(text)}, nil)
			if err != nil || rep.Verdict != Tampered || rep.FirstBad != bytes.Count(good, []byte{'\n'})+1 {
				t.Errorf("a line of %d bytes: %+v, %v", n, rep, err)
			}
			last := error(nil)
			for _, err := range linesOf(bytes.NewReader(text)) {
				last = err
			}
			if bytes.HasSuffix(text, []byte{'\n'}) && !errors.Is(last, ErrBroken) {
				t.Errorf("a line of %d bytes: read to the end with %v", n, last)
			}
		}
	}
}

// FuzzLongLines spans up to three runs of one byte across the borders of the
// read buffer.
func FuzzLongLines(f *testing.F) {
	const buffer = 8 << 10
	f.Add(uint32(maxLine+1), byte('x'), uint32(2*buffer), byte('y'), uint32(3), byte('\n'))
	f.Add(uint32(maxLine-buffer), byte('x'), uint32(3*buffer), byte(0), uint32(1), byte('z'))
	f.Add(uint32(buffer-1), byte('\n'), uint32(maxLine+buffer), byte('{'), uint32(buffer), byte('\n'))
	f.Fuzz(func(t *testing.T, n1 uint32, b1 byte, n2 uint32, b2 byte, n3 uint32, b3 byte) {
		var text []byte
		for _, run := range []struct {
			n uint32
			b byte
		}{{n1, b1}, {n2, b2}, {n3, b3}} {
			text = append(text, bytes.Repeat([]byte{run.b}, int(run.n%(2*maxLine)))...)
		}
		readLines(t, text, maxLine)
		if _, err := walk([]io.Reader{bytes.NewReader(text)}, nil); err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatal(err)
		}
	})
}
