package hw

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
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
	// since is the kernel's monotonic clock at the time 0 of the board.
	since time.Duration
	seq   uint32        // of the last event
	last  time.Duration // time of the last edge
	// room is for what the kernel gives; lookAt is when it is seen next whether the chip is
	// there: a calm is silent, and so is a chip that is gone.
	room   []byte
	lookAt time.Duration
}

// take appends the edges of whole events. Numbers that are missing are edges that
// the kernel dropped because nobody read in time; it drops the oldest. now is
// the board's time: an edge is never later than that, nor earlier than the one
// before it.
func (s *edges) take(dst []Edge, b []byte, now time.Duration) ([]Edge, error) {
	if len(b)%eventSize != 0 {
		return dst, fmt.Errorf("events have %d bytes each (got %d bytes)", eventSize, len(b))
	}
	for ; len(b) > 0; b = b[eventSize:] {
		e, err := decodeEvent(b)
		if err != nil {
			return dst, err
		}
		lost := e.seq - s.seq - 1 // wraps with the kernel's counter
		if lost >= 1<<31 {
			return dst, fmt.Errorf("the edges' numbers run back from %d to %d; the line was taken over, start again", s.seq, e.seq)
		}
		s.seq = e.seq
		s.last = max(s.last, min(e.at-s.since, now))
		dst = append(dst, Edge{Rise: e.rise, At: s.last, Lost: int(lost)})
	}
	return dst, nil
}

// events is what is wanted of the edges that the kernel reports of a chip's inputs.
type events struct {
	every map[uint32]uint32 // bit in Levels of the lines whose every edge counts
	was   uint32            // their levels by the edges so far
	room  []byte            // empty where the chip reports none
}

// eventsOf is for lines that have those levels now, in the order of the request.
func eventsOf(w *wanted, levels uint64) events {
	e := events{every: map[uint32]uint32{}, room: make([]byte, 64*eventSize)}
	for i, in := range w.inputs {
		if in.Every {
			e.every[w.lines[i]] = 1 << w.bits[i]
			e.was |= uint32(levels>>i&1) << w.bits[i]
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
//
// The numbers of a request of several lines tell nothing of edges that were dropped: they
// count interrupts (linux, drivers/gpio/gpiolib-cdev.c, edge_irq_handler), of which two may
// become one event, as where a contact bounces, one that the chip kept from before the
// request becomes none, and those of two lines overtake one another.
func (g *gpio) Passed() (low, high uint32) {
	for i := range g.inputs {
		in, taken := &g.inputs[i], 0
		for len(in.room) > 0 && taken < EdgeRoom*eventSize {
			n, err := in.req.pending(in.room)
			for b := in.room[:max(n, 0)]; len(b) >= eventSize; b = b[eventSize:] {
				bit, now := in.every[binary.NativeEndian.Uint32(b[12:])], uint32(0)
				if binary.NativeEndian.Uint32(b[8:]) == unix.GPIO_V2_LINE_EVENT_RISING_EDGE {
					now = bit
				}
				twice := bit &^ (now ^ in.was) // to the level that it had: it had the other in between
				low, high, in.was = low|twice|bit&^now, high|twice|now, in.was&^bit|now
			}
			if taken += n; err != nil || n < len(in.room) {
				break
			}
		}
		if taken >= EdgeRoom*eventSize { // all that the kernel keeps: it may have dropped others
			for _, bit := range in.every {
				low, high = low|bit, high|bit
			}
		}
	}
	return low, high
}

// Sampled names the inputs on chips that report no edges, empty for none.
func (g *gpio) Sampled() string { return strings.Join(g.sampled, ", ") }

func (l lineFile) waits() int { return int(l) }

func (l lineFile) pending(b []byte) (int, error) {
	n, _, errno := unix.RawSyscall(unix.SYS_READ, uintptr(l), uintptr(unsafe.Pointer(&b[0])), uintptr(len(b)))
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}

const lookForChip = time.Second

// Edges takes the anemometer's edges; see Board. It takes no more than the kernel keeps.
func (g *gpio) Edges(dst []Edge) ([]Edge, error) {
	s, now := &g.edges, g.now()
	for taken := 0; g.edge != nil && taken < EdgeRoom*eventSize; {
		n, err := g.edge.pending(s.room)
		switch {
		case g.closed:
			err = ErrClosed
		case err == nil && n == 0:
			err = errors.New("the kernel gave no event and no error")
		case err == nil:
			taken += n
			dst, err = s.take(dst, s.room[:n], now)
		case errors.Is(err, unix.EAGAIN):
			if err = nil; now >= s.lookAt {
				s.lookAt = now + lookForChip
				_, err = g.edge.values(1)
			}
			taken = EdgeRoom * eventSize
		}
		if err != nil {
			return dst, fmt.Errorf("read edges: %w%s", err, mend(err))
		}
	}
	return dst, nil
}
