package report

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// sink takes the readings of one channel in order.
type sink interface {
	take(at time.Duration, r limits.Reading)
}

// channels carries samples to their channel, to what is derived from it, and
// to whoever looks on. It works with the guard's own calculators; it judges
// nothing.
type channels struct {
	cfg    derived.Config
	table  limits.Table
	laid   bool // calcs and wanted are made
	wanted [rules.ChannelCount]bool
	calcs  []limits.Calculator
	due    []time.Duration
	next   time.Duration
	by     [rules.ChannelCount][]int // calculators by trigger, in order
	sinks  [rules.ChannelCount][]sink
}

// lay makes the calculators of what is looked at, when all who look on are there. A
// channel that the configuration does not state is left out.
func (c *channels) lay() {
	if c.laid {
		return
	}
	c.laid, c.next = true, rules.Never
	var able [rules.ChannelCount]bool
	for id := range c.sinks {
		id := rules.ChannelID(id)
		if len(c.sinks[id]) == 0 {
			continue
		}
		for _, in := range append(c.cfg.Needs(id), c.cfg.Helps(id)...) {
			c.wanted[in] = true
		}
		_, err := derived.New(c.cfg, func(other rules.ChannelID) bool { return other == id })
		able[id], c.wanted[id] = err == nil && id.Channel().Derived, true
	}
	calcs, err := derived.New(c.cfg, func(id rules.ChannelID) bool { return able[id] })
	if err != nil {
		return
	}
	c.calcs, c.due = calcs, make([]time.Duration, len(calcs))
	for i, calc := range calcs {
		c.due[i] = calc.Due()
		c.next = min(c.next, c.due[i])
		c.by[calc.Trigger()] = append(c.by[calc.Trigger()], i)
	}
}

// wants reports whether a channel is looked at, or what rests on it.
func (c *channels) wants(id rules.ChannelID) bool {
	c.lay()
	return c.wanted[id]
}

func (c *channels) watch(id rules.ChannelID, s sink) { c.sinks[id] = append(c.sinks[id], s) }

// advance lets everything happen that is due by then without a sample.
func (c *channels) advance(at time.Duration) {
	for c.next <= at {
		due := c.next
		c.next = rules.Never
		for i, calc := range c.calcs {
			if c.due[i] <= due {
				r, ok := calc.Tick(due, &c.table)
				if c.due[i] = calc.Due(); c.due[i] <= due {
					c.due[i] = due + 1
				}
				if ok {
					c.publish(due, calc.Output(), r)
				}
			}
		}
		for _, d := range c.due {
			c.next = min(c.next, d)
		}
	}
}

// inputs takes what the intake made of one chunk.
func (c *channels) inputs(at time.Duration, inputs []interlock.Input) {
	c.lay()
	c.advance(at)
	for i := range inputs {
		if in := &inputs[i]; in.Kind == interlock.SampleInput && in.Sample.Channel > rules.NoChannel && in.Sample.Channel < rules.ChannelCount {
			s := &in.Sample
			c.publish(at, s.Channel, limits.Result{Value: s.Value, Quality: s.Quality, Cause: s.Cause})
		}
	}
}

func (c *channels) publish(at time.Duration, id rules.ChannelID, r limits.Result) {
	switch {
	case r.Quality == rules.Missing:
		r.Value = 0
	case !id.Plausible(r.Value):
		r = limits.Result{Cause: rules.Implausible}
	}
	c.table[id] = limits.Reading{At: at, Value: r.Value, Quality: r.Quality, Cause: r.Cause}
	for _, s := range c.sinks[id] {
		s.take(at, c.table[id])
	}
	for _, i := range c.by[id] {
		out, ok := c.calcs[i].Sample(at, &c.table)
		c.due[i] = c.calcs[i].Due()
		c.next = min(c.next, c.due[i])
		if ok {
			c.publish(at, c.calcs[i].Output(), out)
		}
	}
}
