package recorder

import (
	"errors"
	"fmt"
	"io"
	"time"

	"downhaul/interlock/day/intake"
)

// File is what a Writer needs of a file.
type File interface {
	Write(p []byte) (int, error)
	// Sync returns when the bytes are on the disk.
	Sync() error
	Truncate(size int64) error
	Close() error
}

// A Writer goes on in a new file at once, but a disk that fails again and again would
// fill with pieces: each further new file waits twice as long after the last, by engine
// time, from firstWait to mostWait; a file that served for mostWait sets that back. Ours.
const (
	firstWait = time.Second
	mostWait  = time.Minute
)

// errNoFile is wrapped by errors of a Writer that has no file to write to.
var errNoFile = errors.New("recording has no file to write to")

// Writer writes a recording. It belongs to one goroutine.
type Writer struct {
	start Start
	file  File // nil while there is none
	part  int
	size  int64 // good bytes in file
	cause error
	tried time.Duration // when a new file was last begun, or tried
	wait  time.Duration // how long after that no other is
	now   time.Duration // of the last chunk

	block  blocks // to be written at once
	fresh  blocks // interfaces that no file has yet
	batch  blocks // packets that wait for the next Flush
	waits  int    // how many chunks they are
	forms  []Form // by interface number
	index  map[Form]int
	lost   uint64
	packet []byte // of a datagram with its headers
}

// Create begins a recording in the file: the section and the interfaces of
// wind, load cell, pins, host and decisions. Telemetry interfaces follow with
// their first chunk.
func Create(w File, start Start) (*Writer, error) {
	start.Wall = start.Wall.Round(0)
	if start.Wall.UnixNano() < 0 {
		return nil, fmt.Errorf("start recording: wall clock at %s: want 1970 or later; set the clock", start.Wall.Format(time.RFC3339))
	}
	out := &Writer{start: start, file: w, part: 1, index: map[Form]int{}}
	for _, f := range bare {
		out.index[f] = len(out.forms)
		out.forms = append(out.forms, f)
	}
	out.section()
	if _, err := out.flush(len(out.block)); err != nil {
		return nil, fmt.Errorf("start recording: %w", err)
	}
	return out, nil
}

// section puts a section header and all interfaces known so far into block.
func (w *Writer) section() {
	w.block = w.block[:0]
	w.block.section(Application, w.start.comment(w.part))
	for _, f := range w.forms {
		w.block.iface(f.linkType(), f.Name(), f.about())
	}
}

// flush writes block with one write. What of it stands in whole blocks behind its first
// head bytes, which belong together, is written also where the write failed: whole is
// how many bytes those are, with the head.
func (w *Writer) flush(head int) (whole int, err error) {
	n, err := w.file.Write(w.block)
	if err == nil && n != len(w.block) {
		err = io.ErrShortWrite
	}
	if err == nil {
		whole = n
	} else if n >= head {
		for whole = head; whole+8 <= n; {
			next := whole + int(order.Uint32(w.block[whole+4:]))
			if next > n {
				break
			}
			whole = next
		}
	}
	w.size += int64(whole)
	return whole, err
}

// fullBatch is how many bytes are written without waiting for a Flush; ours.
const fullBatch = 64 << 10

// Put takes one chunk, with comments on its packet (a trip on the packet that caused
// it). It stands in the file after the next Flush or Sync that returns nil. An error
// means that chunks, this or ones before it, are not in the recording; their numbers
// will be missing there, and whoever reads it is told.
//
// Chunks are numbered from 1, apart from decisions: they are no input, carry no
// number and come back with 0.
//
// IPv6 zones are not kept. Addresses of two families are written as IPv6.
func (w *Writer) Put(c intake.Chunk, comments ...string) error {
	f := Form{Source: c.Source, Link: c.Link, Datagram: c.Source == intake.Telemetry && c.From.IsValid()}
	if f.Name() == "" || (c.Source != intake.Telemetry && c.Link != 0) {
		return fmt.Errorf("record chunk %d: source %d, link %d is not known", c.Seq, c.Source, c.Link)
	}
	if c.At < 0 {
		return fmt.Errorf("record chunk %d: engine time %v is before the start", c.Seq, c.At)
	}
	w.now = max(w.now, c.At)
	data := c.Bytes
	if f.Datagram {
		var err error
		if w.packet, err = appendDatagram(w.packet[:0], c); err != nil {
			w.lost++
			return fmt.Errorf("record chunk %d: %w", c.Seq, err)
		}
		data = w.packet
	}
	if w.file == nil && w.tooEarly() {
		w.lost++
		return fmt.Errorf("record chunk %d: %w: %w", c.Seq, w.noFile(), w.cause)
	}
	w.add(f, c, data, comments)
	if len(w.batch) < fullBatch {
		return nil
	}
	return w.Flush()
}

// Flush writes what waits, with one write: to the present file or, where that fails, to
// the next.
func (w *Writer) Flush() error {
	if w.waits == 0 {
		return nil
	}
	room := w.batch
	defer func() { w.fresh, w.batch, w.waits = w.fresh[:0], room[:0], 0 }()
	for {
		switch {
		case w.file != nil:
			w.block = append(w.block[:0], w.fresh...)
		case w.tooEarly():
			w.lost += uint64(w.waits)
			return fmt.Errorf("record %d chunks: %w: %w", w.waits, w.noFile(), w.cause)
		default:
			if err := w.nextFile(); err != nil {
				w.lost += uint64(w.waits)
				return fmt.Errorf("record %d chunks: %w: %w", w.waits, errNoFile, err)
			}
		}
		head := len(w.block)
		w.block = append(w.block, w.batch...)
		whole, err := w.flush(head)
		if err == nil {
			return nil
		}
		for done := 0; done < whole-head; w.waits-- {
			done += int(order.Uint32(w.batch[done+4:]))
		}
		w.batch = w.batch[max(0, whole-head):]
		w.giveUp(fmt.Errorf("write recording, file %d: %w", w.part, err))
	}
}

// add has the packet, and its interface if it is new, wait.
func (w *Writer) add(f Form, c intake.Chunk, data []byte, comments []string) {
	id, ok := w.index[f]
	if !ok {
		id = len(w.forms)
		w.fresh.iface(f.linkType(), f.Name(), f.about())
		w.index[f] = id
		w.forms = append(w.forms, f)
	}
	number := c.Seq
	if c.Source == intake.Decisions { // no input, so outside the numbering
		number = 0
	}
	w.waits++
	w.batch.packet(id, w.start.Wall.Add(c.At).UnixNano(), data, comments, uint64(c.Lost), number)
}

// giveUp leaves the present file for good: what was not a whole block is cut off
// again, and nothing more is asked of it.
func (w *Writer) giveUp(cause error) {
	_ = w.file.Truncate(w.size)
	_ = w.file.Close()
	w.file, w.cause = nil, cause
	if w.now-w.tried >= mostWait {
		w.wait = 0
	}
}

// tooEarly reports whether it is too early for another new file, or there is none.
func (w *Writer) tooEarly() bool { return w.start.Next == nil || w.wait > 0 && w.now-w.tried < w.wait }

// noFile notes that no file takes chunks, and when the next is tried.
func (w *Writer) noFile() error {
	return fmt.Errorf("%w; the next is tried in %.0f s", errNoFile, max(0, w.wait-(w.now-w.tried)).Seconds())
}

// nextFile opens the next file and leaves its header in block, unwritten.
func (w *Writer) nextFile() error {
	w.tried, w.wait = w.now, min(mostWait, max(firstWait, 2*w.wait))
	w.part++
	file, err := w.start.Next(w.part)
	if err != nil {
		w.part-- // nothing was made
		w.cause = fmt.Errorf("open recording, file %d: %w (after: %w)", w.part+1, err, w.cause)
		return w.cause
	}
	w.file, w.size = file, 0
	w.section()
	return nil
}

// Sync returns nil when all that was written is on the disk. Call it once a
// second. A sync that failed is not tried again on the same file: what it did
// not keep may be gone, and the recording goes on in the next file.
func (w *Writer) Sync() error {
	err := w.Flush()
	if err == nil && w.file == nil {
		err = fmt.Errorf("%w: %w", w.noFile(), w.cause)
	}
	if err != nil {
		return err
	}
	if err = w.file.Sync(); err == nil {
		return nil
	}
	err = fmt.Errorf("sync recording, file %d: %w", w.part, err)
	w.giveUp(err)
	if !w.tooEarly() && w.nextFile() == nil {
		if _, ferr := w.flush(len(w.block)); ferr != nil {
			w.giveUp(ferr)
		}
	}
	return err
}

// Close syncs and closes. The end of a session is an explicit host chunk, not
// the end of the file.
func (w *Writer) Close() error {
	err := w.Flush()
	if w.file == nil {
		return err
	}
	err = errors.Join(err, w.file.Sync(), w.file.Close())
	w.file, w.cause = nil, errors.New("it is closed")
	w.start.Next = nil
	if err != nil {
		return fmt.Errorf("close recording: %w", err)
	}
	return nil
}

// Lost is how many chunks went into no file.
func (w *Writer) Lost() uint64 { return w.lost }
