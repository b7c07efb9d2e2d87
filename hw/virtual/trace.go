package virtual

import "time"

// OutputEdge is one change of an output, or of what hangs on it.
type OutputEdge struct {
	// Line is relay, heartbeat, buzzer, lamp; or watchdog (On: it holds) or
	// contactor (On: power reaches the rotors), at their modelled times.
	Line string
	On   bool
	// At is the monotonic time since the board was opened.
	At time.Duration
}

// What a trace keeps. 40 heartbeat edges a second would push everything else
// out, so they have a ring of their own (25 s).
const (
	traceKept = 4096
	beatsKept = 1024
)

// ring keeps the last items put in and numbers all of them from 0.
type ring struct {
	items []OutputEdge
	total uint64
}

func newRing(size int) ring { return ring{items: make([]OutputEdge, size)} }

func (r *ring) put(e OutputEdge) {
	r.items[r.total%uint64(len(r.items))] = e
	r.total++
}

// since gives a copy of the items numbered from and later, oldest first, and
// how many of those were no longer kept. The next number is r.total.
func (r *ring) since(from uint64) (out []OutputEdge, missed uint64) {
	if from >= r.total {
		return nil, 0
	}
	if size := uint64(len(r.items)); r.total-from > size {
		missed = r.total - from - size
		from += missed
	}
	out = make([]OutputEdge, 0, r.total-from)
	for ; from < r.total; from++ {
		out = append(out, r.items[from%uint64(len(r.items))])
	}
	return out, missed
}
