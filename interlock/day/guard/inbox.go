package guard

import (
	"net/netip"
	"sync"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// lane is one queue of the inbox. They are drained in this order.
type lane int

const (
	laneSensors   lane = iota // wind edges and converter counts
	laneLinks                 // telemetry
	laneHost                  // what the host says
	laneSaid                  // what people say: however much, it costs no word of the host
	laneStrangers             // datagrams that cannot be the craft's: a flood displaces nothing
	laneCount
)

// laneRoom is how many chunks a lane keeps. At 400 frames a second the links'
// lane holds over half a second; whatever is older is worth nothing.
var laneRoom = [laneCount]int{laneSensors: 64, laneLinks: 256, laneHost: 64, laneSaid: 64, laneStrangers: 64}

// parcel is a chunk on its way to the loop; its bytes are its own.
type parcel struct {
	source   intake.Source
	link     uint8
	lost     uint32
	from, to netip.AddrPort
	bytes    []byte
}

// ring is a bounded queue that keeps the newest and counts what it dropped.
// Its parcels keep their buffers, so that a running ring allocates nothing.
type ring struct {
	slots []parcel
	first int
	count int
	lost  uint32 // dropped since the last one handed out
}

// inbox is where readers leave raw chunks for the loop.
type inbox struct {
	mu    sync.Mutex
	lanes [laneCount]ring
	wake  chan struct{}
	lost  uint64 // all that was ever dropped
}

func newInbox() *inbox {
	b := &inbox{wake: make(chan struct{}, 1)}
	for i := range b.lanes {
		b.lanes[i].slots = make([]parcel, laneRoom[i])
	}
	return b
}

// put copies a chunk, whose bytes come beside the parcel, into its lane and
// wakes the loop. It never blocks: a full lane drops its oldest.
func (b *inbox) put(l lane, p parcel, bytes []byte) {
	b.mu.Lock()
	r := &b.lanes[l]
	if r.count == len(r.slots) {
		r.first = (r.first + 1) % len(r.slots)
		r.count--
		r.lost++
		if l != laneStrangers {
			b.lost++
		}
	}
	slot := &r.slots[(r.first+r.count)%len(r.slots)]
	keep := append(slot.bytes[:0], bytes...)
	*slot = p
	slot.bytes = keep
	r.count++
	b.mu.Unlock()
	if l == laneStrangers {
		return // they wait for a turn that comes anyway
	}
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// take moves the oldest parcel of a lane into dst, reusing its buffer.
func (b *inbox) take(l lane, dst *parcel) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := &b.lanes[l]
	if r.count == 0 {
		return false
	}
	slot := &r.slots[r.first]
	keep := append(dst.bytes[:0], slot.bytes...)
	*dst = *slot
	dst.bytes = keep
	dst.lost += r.lost
	r.lost = 0
	r.first = (r.first + 1) % len(r.slots)
	r.count--
	return true
}

// dropBacklog empties a lane after a stall: old data is worse than none.
func (b *inbox) dropBacklog(l lane) {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := &b.lanes[l]
	r.lost += uint32(r.count)
	if l != laneStrangers {
		b.lost += uint64(r.count)
	}
	r.first, r.count = 0, 0
}

// Host leaves a host event for the loop. Any goroutine.
func (l *Loop) Host(m intake.HostMessage) {
	to := laneHost
	if m.Host == interlock.HostMark || m.Host == interlock.HostDeclared {
		to = laneSaid
	}
	l.inbox.put(to, parcel{source: intake.HostEvent}, intake.EncodeHost(nil, m))
}

// Telemetry leaves bytes of a link for the loop. Any goroutine.
func (l *Loop) Telemetry(c intake.Chunk) {
	l.inbox.put(laneLinks, parcel{source: intake.Telemetry, link: c.Link, from: c.From, to: c.To}, c.Bytes)
}

// WindEdge leaves one edge of the anemometer for the loop. Any goroutine.
func (l *Loop) WindEdge(e intake.WindEdge) {
	var room [intake.WindEdgeSize]byte
	one := [1]intake.WindEdge{e}
	l.inbox.put(laneSensors, parcel{source: intake.Wind}, intake.AppendWindEdges(room[:0], one[:]))
}

// WindFailed tells the loop that the anemometer's line is no longer watched. From then
// on its reading is missing. Any goroutine.
func (l *Loop) WindFailed() { l.windDead.Store(true) }

// Count leaves one conversion of the load cell for the loop. Any goroutine.
func (l *Loop) Count(c intake.Count) {
	var room [intake.CountSize]byte
	one := [1]intake.Count{c}
	l.inbox.put(laneSensors, parcel{source: intake.LoadCell}, intake.AppendCounts(room[:0], one[:]))
}
