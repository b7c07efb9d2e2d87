package recording

import (
	"io"
	"time"
)

// recordHead is the size of a pcap record's header, fileHead that of the file's
// (draft-ietf-opsawg-pcap).
const (
	recordHead = 16
	fileHead   = 24
)

// Ours. Which times of a pcap's records fit each other: a record is at most
// recordBack older than one before it (several queues out of order), and at most
// mostSilence younger. Behind damage the first may be younger by mostGap.
const (
	recordBack = 10 * time.Second
	mostGap    = 24 * time.Hour
)

// record is the header of a pcap's record.
type record struct {
	ns           int64 // since 1970
	kept, length uint32
}

// fits reports whether a record of that time may stand behind this one.
func (r *record) fits(next *record) bool {
	d := time.Duration(next.ns - r.ns)
	return d >= -recordBack && d <= mostSilence
}

// recent holds the times of the last few records, so that one of them with a
// wild time does not make all behind it look wild.
type recent struct {
	ns [4]int64
	n  int
}

func (t *recent) add(ns int64) {
	t.ns[t.n%len(t.ns)] = ns
	t.n++
}

// near reports whether the time is one that may come at most ahead behind one of them;
// anything does when there is none.
func (t *recent) near(ns int64, ahead time.Duration) bool {
	for _, was := range t.ns[:min(t.n, len(t.ns))] {
		if d := time.Duration(ns - was); d >= -recordBack && d <= ahead {
			return true
		}
	}
	return t.n == 0
}

// head reads a record's header, recordHead bytes; ok reports whether its numbers can
// be those of one.
func (g *gate) head(b []byte) (r record, frac uint32, ok bool) {
	frac = g.u32(b[4:])
	r = record{kept: g.u32(b[8:]), length: g.u32(b[12:])}
	limit, unit := uint32(1e6), int64(1000)
	if g.nano {
		limit, unit = 1e9, 1
	}
	r.ns = int64(g.u32(b))*1e9 + int64(frac)*unit
	return r, frac, r.kept <= maxBlock/2 && r.kept <= r.length && frac < limit
}

// firstRecord reads the header of a pcap.
func (g *gate) firstRecord() {
	head, short := g.peek(fileHead)
	if g.end != nil {
		return
	}
	if short {
		g.torn("the file header has %d of its 24 bytes", len(head))
		return
	}
	if v, w := g.u16(head[4:]), g.u16(head[6:]); v != 2 || w != 4 {
		g.damaged("a pcap of version %d.%d; only 2.4 is known", v, w)
		return
	}
	g.ifaces = append(g.ifaces[:0], iface{link: g.linkOf(head), snap: g.u32(head[16:])})
	g.size = fileHead
	g.blocks++
}

// linkOf is the link type in the header of a pcap. Its upper bits tell of a checksum at
// the end of each frame.
func (g *gate) linkOf(head []byte) uint16 {
	if g.big {
		return g.u16(head[22:])
	}
	return g.u16(head[20:])
}

// anew reports whether the header of a pcap begins here, as where one file was put behind
// another.
func (g *gate) anew(b []byte) bool {
	magic := uint32(magicMicro)
	if g.nano {
		magic = magicNano
	}
	return len(b) >= 8 && g.u32(b) == magic && g.u16(b[4:]) == 2 && g.u16(b[6:]) == 4
}

// nextRecord is nextBlock for pcap.
func (g *gate) nextRecord() {
	if g.blocks == 0 {
		g.firstRecord()
		return
	}
	head, short := g.peek(recordHead)
	if g.end != nil {
		return
	}
	if short {
		if len(head) == 0 {
			g.end = io.EOF
		} else {
			g.torn("the last record's header has %d of its 16 bytes", len(head))
		}
		return
	}
	if g.anew(head) {
		if head, short = g.peek(fileHead); !short && g.end == nil {
			g.ifaces[0].link, g.size, g.times = g.linkOf(head), fileHead, recent{}
			g.blocks++
			return
		}
	}
	r, frac, ok := g.head(head)
	if r == (record{}) {
		if g.zeros(0) {
			g.torn(zeroTail)
			return
		}
		g.damaged("a record without time and length")
		return
	}
	if !ok {
		g.damaged("a record that keeps %d of %d bytes, %d parts of a second", r.kept, r.length, frac)
		return
	}
	whole, short := g.peek(recordHead + int(r.kept))
	if g.end != nil {
		return
	}
	if short {
		g.torn("the last record has %d of its %d bytes", len(whole), recordHead+r.kept)
		return
	}
	if g.past {
		if !g.leads(&r) {
			return
		}
		whole, _ = g.peek(recordHead + int(r.kept)) // a longer look may have moved it
	}
	g.size = len(whole)
	g.blocks++
	g.ifaces[0].snap = max(g.ifaces[0].snap, r.kept) // some writers keep more than they say
	g.pkt.ns, g.pkt.dated, g.pkt.data = r.ns, true, whole[recordHead:]
	g.ready = true
}

// leads reports whether the record at g.off can be believed for what stands behind
// it; if not, it is the damage that ends the file. A pcap has no mark and gives
// each length once, so a length that was changed shows only there, and what
// would be handed on is then a record with others in it, or a piece of one.
func (g *gate) leads(r *record) bool {
	size := recordHead + int(r.kept)
	b, _ := g.w.peek(size + recordHead)
	if len(b) == size || g.anew(b[size:]) {
		return true // the end
	}
	first := g.times.n == 0
	near := g.times.near(r.ns, mostSilence)
	var next record
	ok := false
	if len(b) == size+recordHead { // else the end is torn
		next, _, ok = g.head(b[size:])
	}
	if ok && (!first && near && g.times.near(next.ns, mostSilence) || r.kept > 0 && next.kept > 0 && r.fits(&next)) {
		g.times.add(r.ns)
		return true
	}
	b, err := g.w.peek(bufferSize)
	last, wrong := err != nil, false
	joins := ok && (!first && g.times.near(next.ns, mostSilence) || g.chain(b[size:], 1, last))
	switch {
	case joins && near && !first:
		g.times.add(r.ns) // the clock was set behind it
		return true
	case joins:
		// It ends where a record begins. With a time that nothing confirms it may
		// still be others' beginning and end put together.
	case !near:
		g.damaged("a record whose time fits neither the one before it nor the one behind")
		return false
	case r.length > r.kept && r.length <= maxBlock/2 && recordHead+int(r.length) < len(b):
		wrong = g.follows(b[recordHead+int(r.length):], last)
	}
	// What stands behind is no record: either this length is wrong, and then one
	// begins just where the whole packet would have ended, or inside, with others
	// that lead on past its end; or else the next one is damaged. Records inside
	// that end with it are what the packet carries.
	tried := map[int]bool{}
	for i := 1; i < size && !wrong; i++ {
		wrong = g.leadsOut(b, i, size, joins, last, tried)
	}
	switch {
	case wrong:
		g.damaged("a record of %d bytes that does not end where the next begins", r.kept)
	case near && !first: // else its time is nothing to go by
		g.times.add(r.ns)
	}
	return !wrong
}

// leadsOut reports whether records one behind the other lead from b[from:] past end
// to one behind it or to the end of the file, which is that of b if last; with
// joins also to one that begins at end. tried holds what was seen not to.
func (g *gate) leadsOut(b []byte, from, end int, joins, last bool, tried map[int]bool) bool {
	var before record
	for at := from; !tried[at]; {
		if len(b)-at < recordHead {
			return at > end && last
		}
		r, _, ok := g.head(b[at:])
		if !ok || !g.possible(&r) || at == from && !g.dated(&r) || at > from && !before.fits(&r) {
			return false
		}
		if at >= end {
			return true
		}
		if at > from {
			tried[at] = true
		}
		before, at = r, at+recordHead+int(r.kept)
		if at == end && !joins || at > len(b) {
			return false
		}
	}
	return false
}

// possible reports whether a header behind damage can be that of a record of this file.
func (g *gate) possible(r *record) bool {
	return r.kept > 0 && r.length <= maxBlock && (g.ifaces[0].snap == 0 || r.kept <= g.ifaces[0].snap)
}

// firstYear is the beginning of 2000, ns since 1970: a capture whose clock was
// never set is not taken up again where there is no time before to go by.
const firstYear = 946_684_800e9

// dated reports whether behind damage a record of that time can come.
func (g *gate) dated(r *record) bool {
	return g.times.near(r.ns, mostGap) && (g.times.n > 0 || r.ns >= firstYear)
}

// follows reports whether a record begins here that can be believed behind damage:
// lengths and time are possible, and behind it stands another such or the end.
// last reports whether the file ends with b. A file of which no record was believed yet
// has no time to hold it against, and then a third one must follow.
func (g *gate) follows(b []byte, last bool) bool {
	if len(b) < recordHead {
		return false
	}
	if r, _, ok := g.head(b); !ok || !g.dated(&r) {
		return false
	}
	if g.times.n == 0 {
		return g.chain(b, 2, last)
	}
	return g.chain(b, 1, last)
}

// chain reports whether a record stands at the beginning of b, and so many more or
// the end of the file behind it, with times that fit each other.
func (g *gate) chain(b []byte, more int, last bool) bool {
	var before record
	for k := 0; ; k++ {
		if len(b) < recordHead {
			return k > 0 && last
		}
		r, _, ok := g.head(b)
		if !ok || !g.possible(&r) || k > 0 && !before.fits(&r) {
			return false
		}
		if k == more {
			return true
		}
		if len(b) < recordHead+int(r.kept) {
			return false
		}
		b, before = b[recordHead+int(r.kept):], r
	}
}
