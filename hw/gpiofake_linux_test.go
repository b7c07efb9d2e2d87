package hw

import (
	"bytes"
	"encoding/binary"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// fakeKernel is chips in memory that hold to what the kernel's documentation
// says (userspace-api/gpio: chardev.html, gpio-v2-get-line-ioctl): a line is
// held by one request, an output has the level that its request says, and a
// removed chip answers ENODEV.
type fakeKernel struct {
	t       *testing.T
	chips   map[string]*fakeChip
	trail   []string // what was done to outputs, in order
	openErr error
}

type fakeChip struct {
	k       *fakeKernel
	name    string
	names   []string // of the lines
	high    []bool
	heldBy  []string
	refuse  map[uint32]error
	gone    atomic.Bool
	opened  int
	asked   []unix.GPIOV2LineRequest
	held    []*fakeRequest
	setErrs map[uint32]error
	alone   bool // refuses requests of more than one line
	noEdges bool // has no interrupts
}

type fakeRequest struct {
	c      *fakeChip
	lines  []uint32
	output bool
	closed bool

	mu     sync.Mutex
	events bytes.Buffer
}

func newFakeKernel(t *testing.T, lines int, chips ...string) *fakeKernel {
	k := &fakeKernel{t: t, chips: map[string]*fakeChip{}}
	for _, name := range chips {
		k.chips[name] = &fakeChip{
			k: k, name: name, names: make([]string, lines), high: make([]bool, lines), heldBy: make([]string, lines),
			refuse: map[uint32]error{}, setErrs: map[uint32]error{},
		}
	}
	return k
}

func (k *fakeKernel) open(chip string) (chipDevice, error) {
	c := k.chips[chip]
	switch {
	case k.openErr != nil:
		return nil, k.openErr
	case c == nil:
		return nil, &os.PathError{Op: "open", Path: "/dev/" + chip, Err: unix.ENOENT}
	}
	c.opened++
	return c, nil
}

func (c *fakeChip) info() (i unix.GPIOChipInfo, err error) {
	copy(i.Name[:], c.name)
	copy(i.Label[:], "label of "+c.name)
	i.Lines = uint32(len(c.high))
	return i, nil
}

func (c *fakeChip) lineInfo(line uint32) (i unix.GPIOV2LineInfo, err error) {
	if int(line) >= len(c.names) {
		return i, unix.EINVAL
	}
	i.Offset = line
	copy(i.Name[:], c.names[line])
	copy(i.Consumer[:], c.heldBy[line])
	return i, nil
}

func (c *fakeChip) request(r *unix.GPIOV2LineRequest) (lineRequest, error) {
	if c.gone.Load() {
		return nil, unix.ENODEV
	}
	q := &fakeRequest{c: c, output: r.Config.Flags&lineOutput != 0}
	if c.alone && r.Num_lines > 1 {
		return nil, unix.E2BIG
	}
	if c.noEdges && r.Config.Flags&(lineRising|lineFalling) != 0 {
		return nil, unix.ENXIO
	}
	for _, a := range r.Config.Attrs[:r.Config.Num_attrs] {
		if a.Mask == 0 || a.Mask>>r.Num_lines != 0 {
			c.k.t.Errorf("a setting for the lines %b of %d", a.Mask, r.Num_lines)
		}
	}
	for _, l := range r.Offsets[:r.Num_lines] {
		switch {
		case int(l) >= len(c.high):
			return nil, unix.EINVAL
		case c.heldBy[l] != "":
			return nil, unix.EBUSY
		case c.refuse[l] != nil:
			return nil, c.refuse[l]
		}
		q.lines = append(q.lines, l)
	}
	for _, l := range q.lines {
		c.heldBy[l] = unix.ByteSliceToString(r.Consumer[:])
		if q.output {
			c.high[l] = false
			for _, a := range r.Config.Attrs[:r.Config.Num_attrs] {
				if a.Attr.Id == unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES && a.Attr.Flags&1 == 1 {
					c.high[l] = true
				}
			}
		}
	}
	c.asked = append(c.asked, *r)
	c.held = append(c.held, q)
	return q, nil
}

func (c *fakeChip) close() error { c.opened--; return nil }

// values must never be asked of an output: the project's drivers may answer by
// turning it round.
func (q *fakeRequest) values(mask uint64) (uint64, error) {
	switch {
	case q.output:
		q.c.k.t.Errorf("line %d: an output was read back", q.lines[0])
	case q.closed:
		q.c.k.t.Error("inputs were read after they were let go")
	case mask>>len(q.lines) != 0:
		q.c.k.t.Errorf("mask %b on %d lines", mask, len(q.lines))
	case q.c.gone.Load():
		return 0, unix.ENODEV
	}
	var bits uint64
	for i, l := range q.lines {
		if mask>>i&1 == 1 && q.c.high[l] {
			bits |= 1 << i
		}
	}
	return bits, nil
}

func (q *fakeRequest) waits() int { return -1 }

func (q *fakeRequest) pending(b []byte) (int, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.events.Len() == 0 {
		return 0, unix.EAGAIN
	}
	return q.events.Read(b[:len(b)/eventSize*eventSize])
}

func (q *fakeRequest) set(mask, bits uint64) error {
	line := q.lines[0]
	switch {
	case q.closed:
		q.c.k.t.Errorf("line %d was written after it was let go", line)
	case mask != 1 || len(q.lines) != 1:
		q.c.k.t.Errorf("mask %b on %d lines: an output is a request of its own", mask, len(q.lines))
	case q.c.gone.Load():
		return unix.ENODEV
	case q.c.setErrs[line] != nil:
		return q.c.setErrs[line]
	}
	q.c.high[line] = bits&1 == 1
	q.c.k.trail = append(q.c.k.trail, map[bool]string{true: "high ", false: "low "}[bits&1 == 1]+Pin{Chip: q.c.name, Line: int(line)}.String())
	return nil
}

func (q *fakeRequest) close() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return unix.EBADF
	}
	q.closed = true
	for _, l := range q.lines {
		q.c.heldBy[l] = ""
	}
	if q.output {
		q.c.k.trail = append(q.c.k.trail, "let go "+Pin{Chip: q.c.name, Line: int(q.lines[0])}.String())
	}
	return nil
}

// give puts bytes in front of whoever looks for events.
func (q *fakeRequest) give(b ...[]byte) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, e := range b {
		q.events.Write(e)
	}
}

// event is one event as the kernel lays it out.
func event(at time.Duration, id, seq uint32) []byte {
	b := make([]byte, eventSize)
	binary.NativeEndian.PutUint64(b, uint64(at))
	binary.NativeEndian.PutUint32(b[8:], id)
	binary.NativeEndian.PutUint32(b[16:], seq)
	binary.NativeEndian.PutUint32(b[20:], seq)
	return b
}
