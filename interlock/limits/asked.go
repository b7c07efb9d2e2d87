package limits

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"downhaul/rules"
)

// What others ask of limits beside what they find.

// Shortest is the shortest staleness of the rules and permissives on a channel.
func (l *Limits) Shortest(id rules.ChannelID) time.Duration { return l.channels[id].shortest }

// Want adds the channels that can change anything here.
func (l *Limits) Want(w *[rules.ChannelCount]bool) {
	for _, id := range l.used {
		w[id] = true
	}
	for _, c := range l.calcs {
		for _, id := range slices.Concat(l.needs[c.Output()], l.helps[c.Output()]) {
			w[id] = true
		}
	}
}

// WhenJudged has f told the values that a rule in force looked at. What it is not told
// lies between two that it was, and is Inside. It decides nothing.
func (l *Limits) WhenJudged(f func(at time.Duration, i int, v float64)) {
	l.judged = f
	for i := range l.env.Rules {
		c := &l.channels[l.env.Rules[i].Watch]
		c.shut()
		if l.env.Rules[i].While != rules.Always { // comes into force with any value
			c.inside = [2]float64{c.low, c.high}
		}
	}
}

// Clone returns a second one that shares nothing that changes, below up.
func (l *Limits) Clone(up Above) *Limits {
	c := *l
	c.above = up
	c.calcs = make([]Calculator, len(l.calcs))
	for i := range l.calcs {
		c.calcs[i] = l.calcs[i].Clone()
	}
	c.calcDue = slices.Clone(l.calcDue)
	c.awake = append(make([]rules.ChannelID, 0, cap(l.awake)), l.awake...)
	c.waiting = append(make([]int32, 0, cap(l.waiting)), l.waiting...)
	c.acting = make([]int32, 0, cap(l.acting))
	c.runs = slices.Clone(l.runs)
	for i := range c.runs {
		if c.runs[i].slope != nil {
			c.runs[i].slope = c.runs[i].slope.Clone()
		}
	}
	c.permHolds = slices.Clone(l.permHolds)
	return &c
}

// Clone is a copy that shares nothing.
func (s *Slope) Clone() *Slope { c := *s; return &c }

// AppendState adds a canonical image of what is kept, with times relative to
// now.
func (s *Slope) AppendState(dst []byte, now time.Duration) []byte {
	first := 0
	for first+1 < s.n && now-s.kept(first+1).at >= s.over {
		first++
	}
	dst = binary.LittleEndian.AppendUint64(dst, uint64(s.n-first))
	for k := first; k < s.n; k++ {
		dst = binary.LittleEndian.AppendUint64(dst, uint64(now-s.kept(k).at))
		dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(s.kept(k).v+0)) // −0 becomes 0
	}
	return dst
}

// Cause returns why the channel of rule i is missing or in doubt for it.
func (l *Limits) Cause(at time.Duration, i int) rules.Cause {
	rule := &l.env.Rules[i]
	cause := l.table[rule.Watch].Cause
	if cause != rules.NoCause || !l.runs[i].Asks[ByMissing] {
		return cause
	}
	if l.runs[i].slope != nil && at < l.channels[rule.Watch].Good+rule.StaleAfter {
		return rules.NotFilled // values come, and give no rate
	}
	return rules.Stale
}
