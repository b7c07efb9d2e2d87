package intake

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// windy keeps what blew in the last two minutes, in shares of ten seconds. Gusty
// air near the starting wind of the cups stops them again and again; so what its
// mean and its longest time between pulses were, up to the last pulse, says
// whether silence is to be wondered at.
type windy struct {
	begun bool
	from  time.Duration // start of the first chunk
	share int64         // number of the newest share since then
	parts [windyParts]windyPart
	// Up to the last pulse.
	before  float64       // m/s
	last    float64       // m/s, of the last sample made from periods
	longest time.Duration // between two pulses
}

const (
	windyParts = 12
	windyShare = meanFor / windyParts
)

type windyPart struct {
	sum     float64 // m/s
	n       int
	longest time.Duration
}

// take adds the sample of one chunk; pulsed reports whether a period ended in it.
func (w *windy) take(at time.Duration, s interlock.Sample, pulsed bool, period time.Duration) {
	if !w.begun {
		w.begun, w.from = true, at
	}
	share := int64((at - w.from) / windyShare)
	for range min(share-w.share, windyParts) {
		w.share++
		w.parts[w.share%windyParts] = windyPart{}
	}
	w.share = share
	p := &w.parts[share%windyParts]
	if s.Quality != rules.Missing {
		p.sum += s.Value
	}
	p.n++
	if !pulsed {
		return
	}
	p.longest, w.last = max(p.longest, period), s.Value
	var sum float64
	var n int
	w.longest = 0
	for i := range w.parts {
		sum += w.parts[i].sum
		n += w.parts[i].n
		w.longest = max(w.longest, w.parts[i].longest)
	}
	w.before = sum / float64(n)
	if span := at - w.from; span < meanAtLeast {
		// A turn by hand at power-up is no wind.
		w.before *= float64(span) / float64(meanAtLeast)
	}
}
