package report

import (
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// sink takes the readings of one channel in order.
type sink interface {
	take(at time.Duration, r limits.Reading)
}

// sinkFunc is a function as a sink.
type sinkFunc func(at time.Duration, r limits.Reading)

func (f sinkFunc) take(at time.Duration, r limits.Reading) { f(at, r) }

// channels carries readings to whoever looks on.
type channels struct {
	limits.Table
	sinks [rules.ChannelCount][]sink
}

func (c *channels) watch(id rules.ChannelID, s sink) { c.sinks[id] = append(c.sinks[id], s) }

// wants reports whether a channel is looked at.
func (c *channels) wants(id rules.ChannelID) bool { return len(c.sinks[id]) > 0 }

func (c *channels) take(told []bench.Told) {
	for i := range told {
		t := &told[i]
		c.Table[t.ID] = t.Reading
		for _, s := range c.sinks[t.ID] {
			s.take(t.At, t.Reading)
		}
	}
}
