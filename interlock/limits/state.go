package limits

import (
	"encoding/binary"
	"slices"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// Clone returns a second one that shares nothing that changes, below up.
func (l *Limits) Clone(up Above) *Limits {
	c := *l
	c.above = up
	c.calcs = make([]derived.Calculator, len(l.calcs))
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

// AppendState adds a canonical image of everything that can change what comes up,
// with times relative to now.
func (l *Limits) AppendState(dst []byte, now time.Duration) []byte {
	put := func(all ...any) {
		for _, v := range all {
			dst, _ = binary.Append(dst, binary.LittleEndian, v)
		}
	}
	age := func(t, most time.Duration) { put(int64(min(now-t, most))) }
	due := func(t time.Duration) {
		if t != rules.Never {
			t -= now
		}
		put(int64(t))
	}
	for i := range l.runs {
		r := &l.runs[i]
		put(r.beyond, r.demand, r.missing, r.goMissing, r.caution, r.seen, r.back, r.value, r.past, uint8(r.excursion))
		due(r.due)
		if r.excursion != rules.Inside {
			put(r.fresh)
		}
		if r.slope != nil {
			// What lies behind a gap is forgotten with the next value.
			gap := rateGap(&l.env.Rules[i])
			put(r.heard, now-r.last > gap)
			if now-r.last <= gap {
				dst = r.slope.AppendState(dst, now)
			}
			age(r.last, gap+1)
			age(r.rated, l.env.Rules[i].Over+l.env.Rules[i].StaleAfter)
		}
	}
	put(l.permHolds)
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		c := &l.channels[id]
		r := &l.table[id]
		if !c.heard && r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		stale := max(id.Stale(), time.Second, c.longest)
		put(uint16(id), c.heard, c.healthy, c.streak == rules.Never, uint8(r.Quality), uint8(r.Cause), r.Value)
		age(r.At, stale+1)
		age(c.good, stale+1)
		due(c.ready)
		if c.frozenAfter > 0 {
			put(c.last, uint32(min(c.same, c.frozenAfter)))
		}
	}
	if l.broken {
		return append(dst, 1)
	}
	for i := range l.calcs {
		dst = l.calcs[i].AppendState(dst, now)
	}
	return dst
}
