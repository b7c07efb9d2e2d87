package limits

import (
	"downhaul/rules"
	"slices"
)

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
