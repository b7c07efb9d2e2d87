package derived

import (
	"math"
	"slices"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	lagBuckets = 60
	lagBucket  = 10 * time.Second
	// bootBack is how far the boot clock may run back (messages out of order)
	// before it is another start of the craft.
	bootBack = time.Second
)

// linkLag is the delay of the telemetry: engine time less the craft's boot
// clock, less the least such difference of the last 10 minutes. The constant
// part of the delay cannot be seen from one end; 10 minutes keep the drift
// between the two clocks out (100 ppm would be 60 ms). Common practice, no
// source.
//
// The least is kept in 60 buckets of 10 s, so it reaches back between 590 and
// 600 s.
type linkLag struct {
	untimed
	heard  bool
	boot   time.Duration             // the furthest boot clock heard
	start  time.Duration             // start of the newest bucket
	newest int                       // index of the newest bucket
	least  [lagBuckets]time.Duration // rules.Never: nothing heard in it
	lowest time.Duration             // of all of them
}

func (l *linkLag) Trigger() rules.ChannelID { return rules.CraftBootClock }
func (l *linkLag) Output() rules.ChannelID  { return rules.LinkLag }

func (l *linkLag) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.CraftBootClock]
	high := rules.CraftBootClock.Channel().High
	if in.Quality == rules.Missing || !(in.Value >= 0 && in.Value <= high) {
		return missing(because(in)), true
	}
	boot := time.Duration(math.RoundToEven(float64(in.Value * 1e9)))
	if !l.heard || boot < l.boot-bootBack {
		l.restart(at, boot)
	}
	l.boot = max(l.boot, boot)
	l.advance(at)
	offset := at - boot
	l.least[l.newest], l.lowest = min(l.least[l.newest], offset), min(l.lowest, offset)
	return publish(seconds(offset-l.lowest), in), true
}

func (l *linkLag) restart(at, boot time.Duration) {
	l.heard, l.boot, l.start, l.newest = true, boot, at, 0
	l.lowest = rules.Never
	for i := range l.least {
		l.least[i] = rules.Never
	}
}

// advance opens the buckets up to the one that holds at.
func (l *linkLag) advance(at time.Duration) {
	steps := (at - l.start) / lagBucket
	l.start += steps * lagBucket
	for range min(steps, lagBuckets) {
		l.newest = (l.newest + 1) % lagBuckets
		l.least[l.newest] = rules.Never
	}
	if steps > 0 { // only then does any of them go up
		l.lowest = slices.Min(l.least[:])
	}
}

func (l *linkLag) Clone() limits.Calculator { c := *l; return &c }
