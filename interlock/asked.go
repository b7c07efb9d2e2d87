package interlock

import (
	"slices"
	"time"

	"downhaul/rules"
)

// What others ask of an engine beside its decisions; see also view.go.

// Wanted returns which channels the engine can use: what rules, permissives,
// derived channels and built-in interlocks read. Others may be left out of the
// input without changing any decision.
func (e *Engine) Wanted() [rules.ChannelCount]bool {
	var w [rules.ChannelCount]bool
	e.limits.Want(&w)
	for _, id := range e.builtinChannels() {
		w[id] = true
	}
	return w
}

// WhenJudged has f told the values that rule i looked at while it was in force (the
// rate for rate rules); what it is not told lies between two that it was, and is
// Inside. It decides nothing.
func (e *Engine) WhenJudged(f func(at time.Duration, i int, v float64)) { e.limits.WhenJudged(f) }

// Clone is a second engine in the same state that shares nothing that changes.
func (e *Engine) Clone() *Engine {
	c := *e
	c.timers = slices.Clone(e.timers)
	c.latch = e.latch.clone(&c, &c.site.Chain)
	c.limits = e.limits.Clone((*fromLimits)(&c))
	c.demands = slices.Clone(e.demands)
	c.permTold = slices.Clone(e.permTold)
	return &c
}

// clone returns a second latch that shares nothing that changes, over another below.
func (e *latch) clone(b below, site *Chain) latch {
	c := *e
	c.below, c.site, c.timers = b, site, slices.Clone(e.timers)
	c.out, c.front = make([]Effect, 0, cap(e.out)), make([]Effect, 0, cap(e.front))
	return c
}

// WhenBroken has f told, in the very call, what a calculator panicked with.
func (e *Engine) WhenBroken(f func(p any)) { e.panicked = f }
