package virtual

import "time"

// Never is the instant that does not come.
const Never = time.Duration(1<<63 - 1)

// The external window watchdog, as the wiring notes ask for it. Ours; no
// standard fixes these numbers. The heartbeat's nominal spacing is 25 ms.
const (
	// LeastGap and MostGap bound the spacing of good edges, both included.
	// Mains hum has an edge every 10 ms (50 Hz) or 8.33 ms (60 Hz), so the
	// least gap keeps clear of it by half; the most is two nominal spacings.
	LeastGap = 15 * time.Millisecond
	MostGap  = 50 * time.Millisecond
	// goodGaps is how many good gaps in a row it takes before an edge counts.
	// One noise edge never does, nor does a pattern that mixes good and bad.
	goodGaps = 3
	// WatchdogDrop is the time from the last edge that counted until the
	// watchdog lets go. With the default drop-out time of the contactor the
	// rotors are without power 100 ms after that edge.
	WatchdogDrop = 80 * time.Millisecond
)

// window is a retriggerable watchdog that accepts a window of edge spacings.
// Levels mean nothing to it. A new one has seen no edge and lets go.
type window struct {
	most    time.Duration // longest good gap
	drop    time.Duration // from the last edge that counted to letting go
	seen    bool
	last    time.Duration // of the last edge, good or bad; valid if seen
	good    int           // good gaps in a row, at most goodGaps
	holding bool
	until   time.Duration // when it lets go; valid if holding
}

// edge takes an edge at the instant at, not before the last one. The caller
// has called advance(at) first: an edge that comes when the watchdog lets go
// is too late.
func (w *window) edge(at time.Duration) {
	gap := at - w.last
	first := !w.seen
	w.seen, w.last = true, at
	if first || gap < LeastGap || gap > w.most {
		w.good = 0
		return
	}
	if w.good < goodGaps {
		w.good++
	}
	if w.good == goodGaps {
		w.holding, w.until = true, at+w.drop
	}
}

func (w *window) advance(now time.Duration) {
	if w.holding && now >= w.until {
		w.holding = false
	}
}

func (w *window) next() time.Duration {
	if w.holding {
		return w.until
	}
	return Never
}
