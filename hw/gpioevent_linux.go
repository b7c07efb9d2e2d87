package hw

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// eventSize is the length of one event: struct gpio_v2_line_event.
const eventSize = 48

// lineEvent is what is used of an event.
type lineEvent struct {
	at   time.Duration // of the kernel's monotonic clock
	rise bool
	seq  uint32 // number of the event among all of its request, from 1
}

// decodeEvent reads one event, in the byte order of this computer.
func decodeEvent(b []byte) (lineEvent, error) {
	if len(b) < eventSize {
		return lineEvent{}, fmt.Errorf("an event has %d bytes (got %d)", eventSize, len(b))
	}
	e := lineEvent{
		at:  time.Duration(binary.NativeEndian.Uint64(b) & (1<<63 - 1)),
		seq: binary.NativeEndian.Uint32(b[16:]),
	}
	switch id := binary.NativeEndian.Uint32(b[8:]); id {
	case unix.GPIO_V2_LINE_EVENT_RISING_EDGE:
		e.rise = true
	case unix.GPIO_V2_LINE_EVENT_FALLING_EDGE:
	default:
		return lineEvent{}, fmt.Errorf("an event is a rise (1) or a fall (2), and the kernel gave %d; this is no GPIO line", id)
	}
	return e, nil
}

// firstHalf puts v into the first four of eight bytes, in the byte order of
// this computer.
func firstHalf(v uint32) uint64 {
	var b [8]byte
	binary.NativeEndian.PutUint32(b[:], v)
	return binary.NativeEndian.Uint64(b[:])
}

// edges turns the events of one line into edges.
type edges struct {
	line int
	// since is the kernel's monotonic clock at the time 0 of the board.
	since time.Duration
	seq   uint32        // of the last event
	last  time.Duration // time of the last edge
}

// take gives the edges of whole events. Numbers that are missing are edges that
// the kernel dropped because nobody read in time; it drops the oldest. now is
// the board's time: an edge is never later than that, nor earlier than the one
// before it.
func (s *edges) take(b []byte, now time.Duration, fn func(Edge)) error {
	if len(b)%eventSize != 0 {
		return fmt.Errorf("events have %d bytes each (got %d bytes)", eventSize, len(b))
	}
	for ; len(b) > 0; b = b[eventSize:] {
		e, err := decodeEvent(b)
		if err != nil {
			return err
		}
		lost := e.seq - s.seq - 1 // wraps with the kernel's counter
		if lost >= 1<<31 {
			return fmt.Errorf("the edges' numbers run back from %d to %d; the line was taken over, start again", s.seq, e.seq)
		}
		s.seq = e.seq
		s.last = max(s.last, min(e.at-s.since, now))
		fn(Edge{Line: s.line, Rise: e.rise, At: s.last, Lost: int(lost)})
	}
	return nil
}

// events is what is wanted of the edges that the kernel reports of a chip's inputs.
type events struct {
	every map[uint32]int // place in Levels of the lines whose every edge counts
	room  []byte         // empty where the chip reports none
}

func eventsOf(w *wanted) events {
	e := events{every: map[uint32]int{}, room: make([]byte, 64*eventSize)}
	for i, in := range w.inputs {
		if in.Every {
			e.every[w.lines[i]] = w.bits[i]
		}
	}
	return e
}

// Waits gives the descriptors of the chips that report edges; see Board.
func (g *gpio) Waits() (fds []int) {
	for i := range g.inputs {
		if in := &g.inputs[i]; len(in.room) > 0 && in.req.waits() >= 0 {
			fds = append(fds, in.req.waits())
		}
	}
	return fds
}

// Passed takes the edges that the kernel reported; see Board. It takes no more than the
// kernel keeps, and what cannot be read here shows in Levels.
func (g *gpio) Passed() (passed uint32) {
	for i := range g.inputs {
		in := &g.inputs[i]
		for taken := 0; len(in.room) > 0 && taken < EdgeRoom*eventSize; {
			n, err := in.req.pending(in.room)
			for b := in.room[:max(n, 0)]; len(b) >= eventSize; b = b[eventSize:] {
				if bit, ok := in.every[binary.NativeEndian.Uint32(b[12:])]; ok {
					passed |= 1 << bit
				}
			}
			if taken += n; err != nil || n < len(in.room) {
				break
			}
		}
	}
	return passed
}

func (l lineFile) waits() int { return int(l) }

func (l lineFile) pending(b []byte) (int, error) {
	n, _, errno := unix.RawSyscall(unix.SYS_READ, uintptr(l), uintptr(unsafe.Pointer(&b[0])), uintptr(len(b)))
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}

// lookForChip is how often a line without edges is looked at: a calm is silent,
// and so is a chip that is gone.
const lookForChip = time.Second

// Edges calls fn for every edge of the anemometer; see Board.
func (g *gpio) Edges(ctx context.Context, fn func(Edge)) error {
	if g.edge == nil {
		<-ctx.Done()
		return nil
	}
	// The context's end moves the deadline into the past. It cannot be lost:
	// either the context is done before it is looked at below, or the move
	// comes after the deadline that was set before looking.
	defer context.AfterFunc(ctx, func() { _ = g.edge.deadline(time.Unix(1, 0)) })()
	buf := make([]byte, 64*eventSize)
	for {
		if err := g.edge.deadline(time.Now().Add(lookForChip)); err != nil {
			return edgeError(err)
		}
		if ctx.Err() != nil {
			return nil
		}
		n, err := g.edge.read(buf)
		switch {
		case err == nil && n > 0:
			if err := g.edges.take(buf[:n], g.now(), fn); err != nil {
				return edgeError(err)
			}
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			if err := g.edge.alive(); err != nil {
				return edgeError(err)
			}
		case err != nil:
			return edgeError(err)
		default:
			return edgeError(errors.New("the kernel gave no event and no error"))
		}
	}
}

func edgeError(err error) error {
	if errors.Is(err, os.ErrClosed) {
		err = ErrClosed
	}
	return fmt.Errorf("wait for edges: %w%s", err, mend(err))
}
