package guard

import (
	"net/netip"
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

// parcel is a chunk on its way to the loop; its bytes are its own.
type parcel struct {
	source   intake.Source
	link     uint8
	lost     uint32 // dropped just before it
	from, to netip.AddrPort
	bytes    []byte
}

// lane is a queue of parcels from many to the loop. Its lock is among those who give:
// the loop takes none, so that no other thread, whatever holds it up, holds up the loop.
type lane struct {
	mu sync.Mutex
	ring[parcel]
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
		b.lanes[i].slots = make([]parcel, laneRoom[i])
	}
	return b
}

// put copies a chunk, whose bytes come beside the parcel, into its lane and wakes the
// loop. A full lane takes nothing more; the next parcel with room says how many did not.
func (b *inbox) put(l laneOf, p parcel, bytes []byte) {
	n := &b.lanes[l]
	n.mu.Lock()
	if slot := n.room(); slot == nil {
		n.gap++
		n.drops.Add(1)
	} else {
		p.bytes = append(slot.bytes[:0], bytes...)
		p.lost, n.gap = n.gap, 0
		*slot = p
		n.give()
	}
	n.mu.Unlock()
	b.wake()
}

// next is the oldest parcel of a lane, or nil. It is the loop's until done.
func (b *inbox) next(l laneOf) *parcel {
	n := &b.lanes[l]
	p := n.next()
	if p != nil {
		p.lost += n.lost
		n.lost = 0
	}
	return p
}

// dropBacklog empties a lane after a stall: old data is worse than none.
func (b *inbox) dropBacklog(l laneOf) {
	n := &b.lanes[l]
	for ; n.next() != nil; n.done() {
		n.lost += 1 + n.next().lost
		n.drops.Add(1)
	}
}

// Host leaves a host event for the loop. Any goroutine.
func (l *Loop) Host(m intake.HostMessage) {
	to := laneHost
	if m.Host == interlock.HostMark || m.Host == interlock.HostDeclared {
		to = laneSaid
	}
	l.inbox.put(to, parcel{source: intake.HostEvent}, intake.EncodeHost(nil, m))
}
