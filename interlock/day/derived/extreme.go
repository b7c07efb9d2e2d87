package derived

import "time"

// extreme keeps the highest (or lowest) value of a span of time in a ring of
// fixed size: each kept value is one that no later value reaches, so the first
// is the extreme.
type extreme struct {
	span    time.Duration
	lowest  bool
	ring    []extremeSample
	head, n int
}

type extremeSample struct {
	at time.Duration
	v  float64
}

func newExtreme(span, period time.Duration, lowest bool) extreme {
	room := 4*int(span/period) + 4
	return extreme{span: span, lowest: lowest, ring: make([]extremeSample, room)}
}

func (e *extreme) add(at time.Duration, v float64) {
	e.evict(at)
	for e.n > 0 && !e.beyond(e.last().v, v) {
		e.n--
	}
	if e.n == len(e.ring) {
		// Samples came faster than there is room for. Holding the last kept
		// value longer keeps the extreme on the safe side.
		e.last().at = at
		return
	}
	e.ring[(e.head+e.n)%len(e.ring)] = extremeSample{at: at, v: v}
	e.n++
}

func (e *extreme) last() *extremeSample { return &e.ring[(e.head+e.n-1)%len(e.ring)] }

func (e *extreme) beyond(a, b float64) bool {
	if e.lowest {
		return a < b
	}
	return a > b
}

func (e *extreme) evict(at time.Duration) {
	for e.n > 0 && at-e.ring[e.head].at >= e.span {
		e.head = (e.head + 1) % len(e.ring)
		e.n--
	}
}

func (e *extreme) clear() { e.n = 0 }

// value is the extreme; 0 when nothing is kept.
func (e *extreme) value() float64 {
	if e.n == 0 {
		return 0
	}
	return e.ring[e.head].v
}

func (e *extreme) clone() extreme {
	c := *e
	c.ring = append([]extremeSample(nil), e.ring...)
	return c
}
