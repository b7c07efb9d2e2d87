package main

import (
	"sync"
	"time"
)

// deskAhead is how far the demo's clock runs on by itself: four turns of the
// stage, and less than any rule of the demo bears.
const deskAhead = 4 * stageEvery

// deskClock is the clock of the live demo. A pad's computer does nothing else,
// so there a loop that is late trips, as it must. A desk computer may leave a
// program alone for a second, and then this clock waits: it goes on only when
// both craft and guard had the processor since. The zero value of all but real
// starts at 0.
type deskClock struct {
	real func() time.Duration // monotonic, from 0

	mu      sync.Mutex
	at      time.Duration // what the clock showed
	since   time.Duration // at this real time
	turned  bool          // the guard's loop turned since
	waited  time.Duration // in all
	longest time.Duration
}

// Now returns the demo's time.
func (c *deskClock) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at + min(c.real()-c.since, deskAhead)
}

// Turned notes that the guard's loop turned.
func (c *deskClock) Turned(time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.turned = true
}

// Says is of no use to a clock.
func (c *deskClock) Says(string) {}

// on lets the clock go on, unless the guard's loop did not turn since the last
// call. The stage calls it before each of its turns.
func (c *deskClock) on() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.turned {
		return
	}
	now := c.real()
	if wait := now - c.since - deskAhead; wait > 0 {
		c.waited += wait
		c.longest = max(c.longest, wait)
	}
	c.at += min(now-c.since, deskAhead)
	c.since, c.turned = now, false
}

// waits returns how long the clock waited in all, and the longest wait of one.
func (c *deskClock) waits() (all, longest time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.waited, c.longest
}
