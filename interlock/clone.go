package interlock

import "slices"

// Clone is a second engine in the same state that shares nothing that changes.
func (e *Engine) Clone() *Engine {
	c := *e
	c.latch.below, c.latch.site, c.latch.clock = &c, &c.site.Chain, &c.clock
	c.limits = e.limits.Clone((*fromLimits)(&c))
	c.demands = slices.Clone(e.demands)
	c.permTold = slices.Clone(e.permTold)
	c.out = make([]Effect, 0, cap(e.out))
	c.front = make([]Effect, 0, cap(e.front))
	return &c
}
