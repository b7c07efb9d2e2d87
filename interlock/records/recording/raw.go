package recording

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"downhaul/interlock/day/telemetry"
)

// Ours. rawChunk bounds a chunk. A boot clock that jumps by more than leap is
// believed only when a second message agrees within agree; a step back by more
// than agree is a restart, a smaller one is messages out of order. A clock that
// moves on by apart and more has what came between spread over that time.
const (
	rawChunk = 16 << 10
	leap     = 60 * time.Second
	agree    = time.Second
	apart    = 100 * time.Millisecond
)

// sender is whose messages a clock is taken from.
type sender struct{ system, component uint8 }

// timing is what one sender's boot clock did in the window.
type timing struct {
	who    sender
	count  int
	first  time.Duration
	lowest time.Duration // of the readings close to the first: where time begins
}

// chooseClock is the sender with the most timed messages in the window; of
// equal ones the first.
func chooseClock(window []byte) (best timing) {
	var s telemetry.Scanner
	var all []timing
	var f telemetry.Frame
	for used, ok := s.NextInto(&f, window, true); ok; used, ok = s.NextInto(&f, window, true) {
		window = window[used:]
		millis, timed := f.BootMillis()
		if !timed {
			continue
		}
		from, boot := sender{f.System, f.Component}, time.Duration(millis)*time.Millisecond
		k := slices.IndexFunc(all, func(t timing) bool { return t.who == from })
		if k < 0 {
			k = len(all)
			all = append(all, timing{who: from, first: boot, lowest: boot})
		}
		t := &all[k]
		t.count++
		if boot < t.lowest && boot >= t.first-agree {
			t.lowest = boot
		}
	}
	for _, t := range all {
		if t.count > best.count {
			best = t
		}
	}
	return best
}

// bootTime makes one time that never runs back out of a craft's boot clock.
type bootTime struct {
	base     time.Duration // boot clock at time shift
	shift    time.Duration
	now      time.Duration
	doubt    time.Duration // a leap that waits for a second message; -1 for none
	leapt    time.Duration // where the first message of a leap stands that was just believed; else -1
	backward uint64        // messages older than one before
	restarts uint64
	leaps    uint64 // jumps ahead that were believed
	jumps    []Jump
}

// see takes one boot clock reading and gives the time now.
func (b *bootTime) see(millis uint32) time.Duration {
	boot := time.Duration(millis) * time.Millisecond
	at := boot - b.base + b.shift
	b.leapt = -1
	switch d := at - b.now; {
	case d >= 0 && d <= leap:
		b.now, b.doubt = at, -1
	case d < 0 && d >= -agree:
		b.backward++
		b.doubt = -1
	case b.doubt < 0 || boot < b.doubt-agree || boot > b.doubt+agree:
		b.doubt = boot // far off: only one message says so yet
	case d > 0:
		b.leaps++
		b.jump(d)
		b.leapt = min(at, b.doubt-b.base+b.shift)
		b.now, b.doubt = at, -1
	default:
		// The craft started again: time goes on from here.
		b.restarts++
		b.jump(d)
		b.base, b.shift, b.doubt = boot, b.now, -1
	}
	return b.now
}

func (b *bootTime) jump(by time.Duration) {
	if len(b.jumps) < mostJumps {
		b.jumps = append(b.jumps, Jump{At: b.now, By: by})
	}
}

// rawReader cuts raw bytes into chunks, a new one whenever the clock moves on.
type rawReader struct {
	w     window // from the chunk given last on
	scan  telemetry.Scanner
	who   sender
	timed bool
	clock bootTime
	off   int64
	ended bool // nothing follows the window
	size  int  // bytes of the chunk given last
	// frames[:found] are the good frames of what was scanned last, each at starts;
	// with opening set, frames[found] begins the next one, and opening is its length.
	// It is given in pieces; given has the frames of the one given last.
	frames  []telemetry.Frame
	starts  []int
	found   int
	opening int
	pieces  []piece
	piece   int // the one that is given next
	given   []telemetry.Frame
	doubtAt int           // the frame whose clock waits for a second one; -1 for none
	count   uint64        // of all frames
	at      time.Duration // of the chunk given last
	end     error
}

func newRaw(w window, head []byte) *rawReader {
	r := &rawReader{w: w, frames: make([]telemetry.Frame, 64), starts: make([]int, 64)}
	t := chooseClock(head)
	r.who, r.timed = t.who, t.count > 0
	r.clock = bootTime{base: t.lowest, doubt: -1}
	return r
}

// next gives the next bytes, and their time.
func (r *rawReader) next() (at time.Duration, b []byte, err error) {
	if r.piece == len(r.pieces) {
		if r.end != nil {
			return 0, nil, r.end
		}
		if err := r.forward(); err != nil {
			r.end = err
			return 0, nil, err
		}
		r.scanOn()
	}
	p := &r.pieces[r.piece]
	r.piece++
	r.given = r.frames[p.frame:p.frameEnd]
	return p.at, r.w.held[p.from:p.to], nil
}

// scanOn takes the bytes up to the frame that moves the clock on.
func (r *rawReader) scanOn() {
	r.pieces, r.piece = r.pieces[:0], 0 // its room is used again
	b, at := r.w.held[:min(len(r.w.held), 2*rawChunk)], r.clock.now
	whole := len(b) < 2*rawChunk // nothing follows them
	i, anchor := r.opening, -1
	r.found, r.opening, r.doubtAt = 0, 0, -1
	if i > 0 {
		r.found, r.starts[0], anchor = 1, 0, 0
	}
	for i < rawChunk {
		if r.found == len(r.frames) {
			r.frames, r.starts = append(r.frames, telemetry.Frame{}), append(r.starts, 0)
		}
		f := &r.frames[r.found]
		used, ok := r.scan.NextInto(f, b[i:], whole)
		i += used
		if !ok {
			break
		}
		r.starts[r.found] = i - len(f.Raw)
		r.count++
		r.found++
		if f.System != r.who.system || f.Component != r.who.component {
			continue
		}
		boot, timed := f.BootMillis()
		if !timed {
			continue
		}
		now := r.clock.see(boot)
		if now > at {
			start := i - len(f.Raw)
			if start == 0 {
				at, anchor = now, 0
				continue
			}
			r.found--
			r.size, r.opening = start, len(f.Raw)
			r.spread(anchor, at, now)
			return
		}
		if r.clock.doubt < 0 {
			anchor, r.doubtAt = r.found-1, -1
		} else {
			r.doubtAt = r.found - 1
		}
	}
	r.size = i
	r.pieces = append(r.pieces, piece{to: i, frameEnd: r.found, at: at})
}

// forward moves the window past the chunk given last, and reads on when what
// is left of it may be too short for a chunk and the frame behind it.
func (r *rawReader) forward() error {
	if r.opening > 0 {
		r.frames[0] = r.frames[r.found]
	}
	r.w.pass(r.size)
	r.off, r.size = r.off+int64(r.size), 0
	if len(r.w.held) < 2*rawChunk && !r.ended {
		_, err := r.w.peek(2 * rawChunk)
		if r.ended = errors.Is(err, io.EOF); err != nil && !r.ended {
			return fmt.Errorf("read recording at byte %d: %w", r.off, err)
		}
		if r.opening > 0 {
			f := &r.frames[0] // the same, where it was moved to
			n, head := len(f.Raw), cap(f.Raw)-cap(f.Payload)
			f.Raw = r.w.held[:n:n]
			f.Payload = f.Raw[head : head+len(f.Payload)]
		}
	}
	if len(r.w.held) == 0 {
		return io.EOF
	}
	return nil
}
