package guard

import (
	"sync"
	"sync/atomic"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// laneOf is one queue of the inbox. They are drained in this order.
type laneOf int

const (
	laneSensors laneOf = iota // converter counts
	laneLinks                 // telemetry that the loop does not read by itself
	laneHost                  // what the host says
	laneSaid                  // what people say: however much, it costs no word of the host
	laneCount
)

// laneRoom is how many chunks a lane keeps. At 400 frames a second the links'
// lane holds over half a second; whatever is older is worth nothing.
var laneRoom = [laneCount]int{laneSensors: 64, laneLinks: 256, laneHost: 64, laneSaid: 64}

// lane is a queue of chunks from many to the loop, each with bytes of its own. Its lock is among those who give:
// the loop takes none, so that no other thread, whatever holds it up, holds up the loop.
type lane struct {
	mu sync.Mutex
	ring[intake.Chunk]
	gap uint32 // dropped since the last one given; under mu

	lost  uint32        // dropped by the loop since the last one that it took
	drops atomic.Uint64 // all that were dropped
}

// inbox is where others leave raw chunks for the loop.
type inbox struct {
	lanes [laneCount]lane
	wake  func() // ends the loop's wait; any goroutine
}

func newInbox(wake func()) *inbox {
	b := &inbox{wake: wake}
	for i := range b.lanes {
		b.lanes[i].slots = make([]intake.Chunk, laneRoom[i])
	}
	return b
}

// put copies a chunk into its lane and wakes the loop. A full lane takes nothing more; the
// next chunk with room says how many did not.
func (b *inbox) put(l laneOf, c intake.Chunk) {
	n := &b.lanes[l]
	n.mu.Lock()
	if slot := n.room(); slot == nil {
		n.gap++
		n.drops.Add(1)
	} else {
		c.Bytes = append(slot.Bytes[:0], c.Bytes...)
		c.Lost, n.gap = n.gap, 0
		*slot = c
		n.give()
	}
	n.mu.Unlock()
	b.wake()
}

// next is the oldest chunk of a lane, or nil. It is the loop's until done.
func (b *inbox) next(l laneOf) *intake.Chunk {
	n := &b.lanes[l]
	p := n.next()
	if p != nil {
		p.Lost += n.lost
		n.lost = 0
	}
	return p
}

// dropBacklog empties a lane after a stall: old data is worse than none.
func (b *inbox) dropBacklog(l laneOf) {
	n := &b.lanes[l]
	for ; n.next() != nil; n.done() {
		n.lost += 1 + n.next().Lost
		n.drops.Add(1)
	}
}

// Host leaves a host event for the loop. Any goroutine.
func (l *Loop) Host(m intake.HostMessage) {
	to := laneHost
	if m.Host == interlock.HostMark || m.Host == interlock.HostDeclared {
		to = laneSaid
	}
	l.inbox.put(to, intake.Chunk{Source: intake.HostEvent, Bytes: intake.EncodeHost(nil, m)})
}
