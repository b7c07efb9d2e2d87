package derived

import "time"

// line fits a straight line to the samples of a short span by least squares
// (any text on statistics; times counted from the newest sample, so that the
// sums stay small). Everything is summed anew for each fit: nothing drifts.
type line struct {
	span    time.Duration
	ring    []lineSample
	head, n int
}

type lineSample struct {
	at time.Duration
	v  float64
}

func newLine(span time.Duration, room int) line {
	return line{span: span, ring: make([]lineSample, room)}
}

// add takes a sample. Two at the same instant: the later counts. When there is
// no room the oldest leaves early.
func (l *line) add(at time.Duration, v float64) {
	for l.n > 0 && at-l.ring[l.head].at > l.span {
		l.head = (l.head + 1) % len(l.ring)
		l.n--
	}
	if l.n > 0 && l.sample(l.n-1).at == at {
		l.sample(l.n - 1).v = v
		return
	}
	if l.n == len(l.ring) {
		l.head = (l.head + 1) % len(l.ring)
		l.n--
	}
	l.n++
	*l.sample(l.n - 1) = lineSample{at: at, v: v}
}

func (l *line) sample(k int) *lineSample { return &l.ring[(l.head+k)%len(l.ring)] }

func (l *line) clear() { l.n = 0 }

// fit gives the slope per second and the line's value at the newest sample; ok
// false with less than two samples.
func (l *line) fit() (slope, value float64, ok bool) {
	if l.n < 2 {
		return 0, 0, false
	}
	newest := l.sample(l.n - 1).at
	var sumX, sumV float64
	for k := range l.n {
		s := l.sample(k)
		sumX += seconds(s.at - newest)
		sumV += s.v
	}
	n := float64(l.n)
	meanX, meanV := sumX/n, sumV/n
	var xx, xv float64
	for k := range l.n {
		s := l.sample(k)
		x := seconds(s.at-newest) - meanX
		xx += float64(x * x)
		xv += float64(x * (s.v - meanV))
	}
	slope = xv / xx
	return slope, meanV - float64(slope*meanX), true
}

func (l *line) clone() line {
	c := *l
	c.ring = append([]lineSample(nil), l.ring...)
	return c
}
