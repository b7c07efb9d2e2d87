package recording

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// PastDamage reads a pcapng on behind a damaged block, at the next one that is
// whole and fits the interfaces of its section, and a pcap at the next record
// with possible lengths and a time that fits those before, behind which stands
// another such or the end. Each such place stands in Info with what was left out;
// behind the first an equal replay is not claimed, and the next chunk says that
// something was lost. The next is looked for no further than mostDamage. Without it
// reading ends there.
//
// What it cannot do: bytes changed within a block or record mostly go unseen,
// because neither form has a checksum. Where an interface may have been lost with
// the damage, the packets' interfaces are not known any more, so only a new
// section helps. A pcap has no mark to find a record by: one that stands alone
// between two damages is passed over with them, so is everything behind damage in
// which the clock went back, or ahead by more than a day, and a packet that
// carries whole records of the present day may, with its own header damaged, be
// taken apart into these.
func PastDamage() Option { return func(r *Reader) { r.past = true } }

// Damage is one place of a capture that was passed over.
type Damage struct {
	Offset int64 // where it begins
	Bytes  int64 // how many were left out
	After  time.Duration
	Text   string // what is wrong there
}

// mostDamages bounds the list; all are counted.
const mostDamages = 16

// resync moves from the damaged block at g.off to the next block that can be
// believed; false when there is none in mostDamage. A frame that seems whole is not believed
// either: where bytes are gone two halves can look like one.
func (g *gate) resync() (skipped int64, ok bool) {
	least, most := 12, maxBlock
	if !g.ng {
		least, most = recordHead, maxBlock+3*recordHead // two whole records and a header
	}
	from := 1
	if g.eaten > 0 {
		from = 0
	}
	g.size, skipped, g.eaten = 0, g.eaten, 0
	for ; ; from = 0 {
		b, err := g.w.peek(bufferSize)
		if len(b) < least || skipped >= mostDamage {
			return skipped, false
		}
		// A block may need that many bytes to be looked at whole.
		end := len(b) - least
		if err == nil {
			end = len(b) - most
		}
		for i := from; i <= end; i++ {
			if g.ng && g.believable(b[i:]) || !g.ng && g.follows(b[i:], err != nil) {
				g.w.pass(i)
				return skipped + int64(i), true
			}
		}
		g.w.pass(end + 1)
		skipped += int64(end) + 1
	}
}

// believable reports whether a whole block begins here, with both its lengths and a
// packet that lies within it. A section begins anew whatever was before. An
// interface must not be taken up behind damage: its number is not known.
func (g *gate) believable(b []byte) bool {
	kind := g.u32(b)
	order := g.order
	if kind == blockSection {
		switch uint32(orderMagic) {
		case binary.LittleEndian.Uint32(b[8:]):
			order = binary.LittleEndian
		case binary.BigEndian.Uint32(b[8:]):
			order = binary.BigEndian
		default:
			return false
		}
	} else if kind != blockPacket || !g.packets {
		return false
	}
	length := order.Uint32(b[4:])
	if length < 28 || length%4 != 0 || length > maxBlock || uint64(length) > uint64(len(b)) || order.Uint32(b[length-4:]) != length {
		return false
	}
	if kind == blockSection {
		return true
	}
	id, kept := order.Uint32(b[8:]), order.Uint32(b[20:])
	return length >= 32 && uint64(id) < uint64(len(g.ifaces)) && uint64(kept) <= uint64(length-32)
}

// covers reports whether a block of an unknown kind has a whole one inside: where
// bytes are gone, the rest of a block can look like a long one of some kind.
func (g *gate) covers(kind uint32, block []byte) bool {
	switch kind {
	case blockSection, blockInterface, blockPacket, blockOldPacket, blockSimple:
		return false
	}
	for i := 1; i+12 <= len(block); i++ {
		if g.believable(block[i:]) {
			return true
		}
	}
	return false
}

// passDamage takes the reader over the damage that ended the file; false when
// it did not end so, or there is nothing behind it.
func (r *Reader) passDamage(end error) bool {
	if !r.past || r.gate == nil || r.gate.blocks == 0 || r.gate.end != end {
		return false
	}
	var d *Damaged
	var torn *Torn
	switch {
	case errors.As(end, &d):
	case errors.As(end, &torn):
		// It is an end only if nothing whole stands behind it.
		d = &Damaged{Offset: torn.Offset, Text: torn.Text}
		if !r.gate.ng {
			d.Text = "a record that runs past the end of the file"
		}
	default:
		return false
	}
	skipped, ok := r.gate.resync()
	if !ok {
		if skipped >= mostDamage {
			d.Text += fmt.Sprintf(", and nothing whole in the %d MB behind it", mostDamage>>20)
		}
		return false
	}
	g := r.gate
	g.end, g.doubtful = nil, true
	g.off += skipped
	r.info.Damages++
	r.info.DamagedBytes += uint64(skipped)
	if len(r.info.Damaged) < mostDamages {
		r.info.Damaged = append(r.info.Damaged, Damage{Offset: d.Offset, Bytes: skipped, After: r.clock.now, Text: d.Text})
	}
	r.lost = true
	return true
}
