package derived

import (
	"encoding/binary"
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// imaged is a calculator (limits.Calculator) with its image: everything that can change future results,
// with times relative to now. Little-endian words, times as ages, so that two
// states that differ only by when they were reached look the same.
type imaged interface {
	AppendState(dst []byte, now time.Duration) []byte
}

func imageOf(c limits.Calculator, dst []byte, now time.Duration) []byte {
	return c.(imaged).AppendState(dst, now)
}

func (a *apex) AppendState(dst []byte, now time.Duration) []byte {
	dst = appendFlag(appendWord(dst, uint64(a.reaction)), a.running)
	if !a.running {
		return dst
	}
	dst = appendAge(dst, now, a.at-a.lag, rules.Never)
	dst = appendFloat(dst, a.h)
	dst = appendFloat(dst, a.v)
	due := a.due
	if due != rules.Never {
		due -= now
	}
	return appendWord(dst, uint64(due))
}

// appendState leaves out the message itself: it stands in the table.
func (e *estimator) appendState(dst []byte, now time.Duration) []byte {
	dst = appendFlag(dst, e.heard)
	if !e.heard {
		return dst
	}
	dst = appendAge(dst, now, e.at, estimatorMost+1)
	return appendWord(appendWord(dst, uint64(e.gap)), uint64(e.gapBefore))
}

func (c *climb) AppendState(dst []byte, now time.Duration) []byte {
	dst = append(c.estimator.appendState(dst, now), byte(c.against))
	dst = appendAge(dst, now, c.at, againstGap+1)
	for k := range c.rates {
		dst = appendFloat(appendFloat(dst, c.rates[k]), c.climbed[k])
	}
	for _, m := range c.marks[:max(0, c.n)] {
		dst = appendFloat(appendAge(dst, now, m.at, rules.Never), m.height)
		for _, v := range m.climbed {
			dst = appendFloat(dst, v)
		}
	}
	return append(appendAge(dst, now, c.heard, rules.Never), byte(c.n))
}

func (e *extreme) appendState(dst []byte, now time.Duration) []byte {
	k := 0
	for k < e.n && now-e.ring[(e.head+k)%len(e.ring)].at >= e.span {
		k++
	}
	dst = appendWord(dst, uint64(e.n-k))
	for ; k < e.n; k++ {
		s := e.ring[(e.head+k)%len(e.ring)]
		dst = appendAge(dst, now, s.at, e.span)
		dst = appendWord(dst, math.Float64bits(s.v))
	}
	return dst
}

func (h *height) AppendState(dst []byte, now time.Duration) []byte {
	dst = h.estimator.appendState(dst, now)
	dst = h.home.appendState(dst, now)
	dst = appendFlag(dst, h.begun)
	if h.begun {
		dst = appendAge(dst, now, h.at, rules.Never)
		dst = appendFloat(dst, h.last)
		dst = appendFloat(dst, h.rate)
		dst = appendFloat(dst, h.drift)
	}
	dst = h.low.appendState(dst, now)
	dst = h.high.appendState(dst, now)
	dst = appendFlag(dst, h.holding)
	if h.holding {
		dst = appendAge(dst, now, h.agreeFrom, agreeFor)
	}
	return dst
}

func (h *home) appendState(dst []byte, now time.Duration) []byte {
	for i := range h.known {
		dst = appendFloat(appendFlag(dst, h.known[i]), h.place[i])
	}
	dst = appendFlag(dst, h.moved)
	if h.moved {
		dst = appendAge(dst, now, h.restedFrom, homeRests)
	}
	return dst
}

// AppendState includes the boot clock and the offsets relative to now as well:
// only their differences to the coming ones count.
func (l *linkLag) AppendState(dst []byte, now time.Duration) []byte {
	dst = appendFlag(dst, l.heard)
	if !l.heard {
		return dst
	}
	dst = appendWord(dst, uint64(l.boot))
	dst = appendWord(dst, uint64((now-l.start)%lagBucket))
	steps := int(min((now-l.start)/lagBucket, lagBuckets))
	for k := range lagBuckets {
		// Oldest first, as if the buckets up to now had been opened.
		if k >= lagBuckets-steps {
			dst = appendWord(dst, uint64(rules.Never))
			continue
		}
		o := l.least[(l.newest+1+steps+k)%lagBuckets]
		if o != rules.Never {
			o -= now
		}
		dst = appendWord(dst, uint64(o))
	}
	return dst
}

func (l *line) appendState(dst []byte, now time.Duration) []byte {
	k := 0
	for k < l.n && now-l.sample(k).at > l.span {
		k++
	}
	dst = appendWord(dst, uint64(l.n-k))
	for ; k < l.n; k++ {
		s := l.sample(k)
		dst = appendAge(dst, now, s.at, l.span)
		dst = appendWord(dst, math.Float64bits(s.v))
	}
	return dst
}

func (p plain) AppendState(dst []byte, _ time.Duration) []byte { return dst }

func (f *toFloor) AppendState(dst []byte, now time.Duration) []byte {
	dst = f.load.AppendState(dst, now)
	dst = appendFloat(appendFloat(dst, f.lack), f.whole)
	if f.whole > 0 {
		dst = appendAge(dst, now, f.wholeAt, rules.Never)
	}
	if f.n == 0 {
		return dst
	}
	dst = appendAge(appendAge(dst, now, f.from, floorSpan), now, f.at, floorSpan+1)
	for _, v := range [...]float64{f.n, f.x, f.xx, f.y[0], f.y[1], f.xy[0], f.xy[1], f.amps, f.late, f.scatter} {
		dst = appendFloat(dst, v)
	}
	return dst
}

func (p *peakWind) AppendState(dst []byte, now time.Duration) []byte {
	return p.extreme.appendState(p.window.appendState(dst, now), now)
}

func (r *resistance) AppendState(dst []byte, now time.Duration) []byte {
	dst = appendWord(appendFloat(appendFloat(appendFloat(dst, r.ii), r.iu), r.most), uint64(r.gap))
	dst = append(dst, byte(r.steps), byte(r.same))
	dst = appendFloat(dst, r.sameAmps)
	dst = appendFlag(dst, r.paired)
	if r.paired {
		dst = appendAge(dst, now, r.at, r.span+1)
		dst = appendFloat(dst, r.volts)
		dst = appendFloat(dst, r.amps)
	}
	return dst
}

func appendWord(dst []byte, v uint64) []byte { return binary.LittleEndian.AppendUint64(dst, v) }

func appendFloat(dst []byte, v float64) []byte {
	if v == 0 {
		v = 0
	}
	return appendWord(dst, math.Float64bits(v))
}

func appendFlag(dst []byte, on bool) []byte {
	if on {
		return append(dst, 1)
	}
	return append(dst, 0)
}

// appendAge writes how long ago t was, at most limit: past that it no longer
// matters how much longer.
func appendAge(dst []byte, now, t, limit time.Duration) []byte {
	age := now - t
	if t == rules.Never || age > limit {
		age = limit
	}
	return appendWord(dst, uint64(age))
}

func (s *sway) AppendState(dst []byte, now time.Duration) []byte {
	dst = s.window.appendState(dst, now)
	if s.window.valid > 0 {
		dst = appendAge(dst, now, s.heard, swaySpan)
	}
	dst = s.northLeast.appendState(dst, now)
	dst = s.northMost.appendState(dst, now)
	dst = s.eastLeast.appendState(dst, now)
	return s.eastMost.appendState(dst, now)
}

func (r *tensionRate) AppendState(dst []byte, now time.Duration) []byte {
	dst = r.line.appendState(dst, now)
	on := r.any && now-r.at <= tensionPair
	dst = appendFlag(dst, on)
	if on {
		dst = appendFloat(appendAge(dst, now, r.at, tensionPair), r.last)
	}
	return dst
}

func (m *meanWind) AppendState(dst []byte, now time.Duration) []byte {
	return m.window.appendState(dst, now)
}

// appendState leaves out what the next sample, at now or later, will drop.
func (w *window) appendState(dst []byte, now time.Duration) []byte {
	k := 0
	for k < w.n && now-w.ring[(w.head+k)%len(w.ring)].at >= w.span {
		k++
	}
	dst = appendWord(dst, uint64(w.n-k))
	if k == w.n {
		return dst
	}
	dst = appendAge(dst, now, w.since, w.span)
	for ; k < w.n; k++ {
		s := w.ring[(w.head+k)%len(w.ring)]
		dst = appendAge(dst, now, s.at, w.span)
		dst = appendWord(dst, uint64(s.micro))
		dst = appendFlag(appendFlag(dst, s.valid), s.doubtful)
	}
	return dst
}
