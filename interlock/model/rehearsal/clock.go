package rehearsal

import (
	"sync"
	"time"
)

// DeskAhead is how far the clock of a live rehearsal runs on by itself: four turns of
// the stage, and less than any rule bears.
const DeskAhead = 4 * stageEvery

// DeskClock is the clock of a live rehearsal. A pad's computer does nothing else,
// so there a loop that is late trips, as it must. A desk computer may leave a
// program alone for a second, and then this clock waits: it goes on only when
// both craft and guard had the processor since. The zero value of all but Real
// starts at 0.
type DeskClock struct {
	Real func() time.Duration // monotonic, from 0

	mu      sync.Mutex
	at      time.Duration // what the clock showed
	since   time.Duration // at this real time
	turned  bool          // the guard's loop turned since
	waited  time.Duration // in all
	longest time.Duration
}

// Now returns the rehearsal's time.
func (c *DeskClock) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at + min(c.Real()-c.since, DeskAhead)
}

// Turned notes that the guard's loop turned.
func (c *DeskClock) Turned(time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.turned = true
}

// Says is of no use to a clock.
func (c *DeskClock) Says(string) {}

// On lets the clock go on, unless the guard's loop did not turn since the last
// call. The stage calls it before each of its turns.
func (c *DeskClock) On() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.turned {
		return
	}
	now := c.Real()
	if wait := now - c.since - DeskAhead; wait > 0 {
		c.waited += wait
		c.longest = max(c.longest, wait)
	}
	c.at += min(now-c.since, DeskAhead)
	c.since, c.turned = now, false
}

// Waits returns how long the clock waited in all, and the longest wait of one.
func (c *DeskClock) Waits() (all, longest time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.waited, c.longest
}
