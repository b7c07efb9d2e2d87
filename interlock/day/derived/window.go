package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// window is a running mean over a span of time: the samples later than at −
// span count, all with the same weight (WMO-No. 8, Part I, 5.1.1: an ideal
// chain is a running average over t0 seconds of the incoming signal).
//
// The sum is kept in whole micro-units (µm/s for a wind speed), so that adding
// and taking away leaves no residue, however long it runs. A value is rounded
// to that once, on the way in.
//
// It is full when the time covered reaches the span, counting a period for the
// first sample: twelve samples at 4 Hz cover 3 s.
type window struct {
	span, period time.Duration
	ring         []windowSample
	head, n      int
	valid        int
	doubted      int
	sum          int64
	since        time.Duration // time of the first sample since the window was last empty
}

type windowSample struct {
	at              time.Duration
	micro           int64
	valid, doubtful bool
}

const (
	microUnits = 1e6
	// largestMicro bounds what may enter: far past any wind, and small enough
	// that no ring of ours can overflow the sum.
	largestMicro = 1e12
)

// newWindow makes a window for samples about every period. It has room for
// samples four times as fast; beyond that the oldest leave early.
func newWindow(span, period time.Duration) window {
	room := 4*int(span/period) + 4
	return window{span: span, period: period, ring: make([]windowSample, room)}
}

// add takes a sample; ok false is a sample whose value is missing.
func (w *window) add(at time.Duration, v float64, ok bool) {
	w.evict(at)
	if w.n == 0 {
		w.since = at
	}
	if w.n == len(w.ring) {
		w.drop()
	}
	s := windowSample{at: at}
	if m := float64(v * microUnits); ok && m >= -largestMicro && m <= largestMicro {
		s.micro, s.valid = int64(math.RoundToEven(m)), true
		w.sum += s.micro
		w.valid++
	}
	w.ring[(w.head+w.n)%len(w.ring)] = s
	w.n++
}

// addReading takes a reading with its quality.
func (w *window) addReading(at time.Duration, r limits.Reading) {
	w.add(at, r.Value, r.Quality != rules.Missing)
	if newest := &w.ring[(w.head+w.n-1)%len(w.ring)]; newest.valid && r.Quality == rules.Doubtful {
		newest.doubtful = true
		w.doubted++
	}
}

func (w *window) evict(at time.Duration) {
	for w.n > 0 && at-w.ring[w.head].at >= w.span {
		w.drop()
	}
}

func (w *window) drop() {
	if s := w.ring[w.head]; s.valid {
		w.sum -= s.micro
		w.valid--
		if s.doubtful {
			w.doubted--
		}
	}
	w.head = (w.head + 1) % len(w.ring)
	w.n--
}

func (w *window) clear() { w.n, w.valid, w.doubted, w.sum = 0, 0, 0, 0 }

// full reports whether the samples cover the span.
func (w *window) full(at time.Duration) bool {
	return w.n > 0 && at-w.since >= w.span-w.period
}

// mean is the mean of the valid samples; call it only when there is one.
func (w *window) mean() float64 {
	return float64(w.sum) / float64(float64(w.valid)*microUnits)
}

// judge gives the cause for which the window has no value or a doubtful one,
// with the quality. A value over more than half invalid samples is missing, so
// that a fault is not read as calm (published practice of a weather
// transmitter: WXT532 User's Guide, gust and lull). Samples that never came
// count as invalid. tolerated is the share of the window that may be invalid
// without making the value doubtful: a half sample short is jitter, not loss. A
// value that rests on doubtful samples by more than half is doubtful, whatever
// the newest one is: else the first good one would clear what they must not.
func (w *window) judge(at time.Duration, tolerated float64) (rules.Quality, rules.Cause) {
	if !w.full(at) {
		return rules.Missing, rules.NotFilled
	}
	expected := int(w.span / w.period)
	invalid := w.n - w.valid
	if 2*invalid > w.n || 2*w.valid < expected {
		return rules.Missing, rules.InputMissing
	}
	absent := max(0, expected-w.n-expected/4) // slow by a quarter is still the declared rate
	if float64(invalid) > float64(tolerated*float64(w.n)) || absent > 0 || 2*w.doubted > w.n {
		return rules.Doubtful, rules.InputMissing
	}
	return rules.Good, rules.NoCause
}

func (w *window) clone() window {
	c := *w
	c.ring = append([]windowSample(nil), w.ring...)
	return c
}
