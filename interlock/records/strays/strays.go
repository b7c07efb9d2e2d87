// Package strays tells apart what a scanner of frames lets lie: good frames that are
// none of ours, with the reason, frames whose checksum fails, and the bytes that are
// left. It is for the tools that read recordings; it decides nothing.
//
// A frame counts only where it stands as one: it begins behind a frame or at the
// beginning of a datagram, and ends where the next begins or at the end.
package strays

import (
	"encoding/binary"
	"slices"

	"downhaul/interlock/day/telemetry"
)

// Kind is why a frame is none of ours.
type Kind uint8

// The kinds.
const (
	NoSender  Kind = iota // right, but system or component 0, which no sender may have
	Extended              // version 1 with extension fields, which the standard leaves out
	OtherSize             // version 1, right, of another length than the message has
	Untrimmed             // its checksum is that of the payload before zeros were cut
	OtherSeed             // right by another definition of that message
	Unknown               // of a message that is not known here
	OddFlags              // version 2 with a flag that asks for what nobody here understands
	Damaged               // the checksum fails, or it breaks off
	kinds
)

var says = [kinds]string{
	NoSender:  "of system or component 0, which no sender may have",
	Extended:  "of version 1 with extension fields, which that version has not",
	OtherSize: "of version 1 with another length than the message has",
	Untrimmed: "whose checksum was made before the zeros at the end were cut: a sender's fault",
	OtherSeed: "of another definition of the message under that number",
	Unknown:   "of a message that is not known here, so that nothing checks it",
	OddFlags:  "of version 2 with a flag that is not known here",
	Damaged:   "damaged: the checksum fails, or the frame breaks off",
}

// Row is how many frames of one kind there are.
type Row struct {
	Kind  Kind   `json:"-"`
	Count uint64 `json:"count"`
	What  string `json:"what"`
	Bytes uint64 `json:"bytes"`
}

// Tally is what was found. The zero Tally is ready.
type Tally struct {
	n, bytes [kinds]uint64
	// Left counts the bytes that are in no frame at all.
	Left  uint64
	scan  telemetry.Scanner
	other map[seeded]*once
	// Of a stream: what follows the last good frame, and how far that was scanned.
	rest    []byte
	scanned int
}

// seeded is a message by another definition; a damaged frame is one by chance, once
// in 256, so the first of them counts as damaged until a second one comes.
type seeded struct {
	id   uint32
	seed byte
}

type once struct{ n, bytes uint64 }

// mostOther bounds the definitions that are told apart; mostRest bounds what a stream
// keeps while no frame comes. Ours.
const (
	mostOther = 256
	mostRest  = 64 << 10
)

// Rows lists the kinds that were met; Damaged stands last.
func (t *Tally) Rows() (rows []Row) {
	for k := range kinds {
		if t.n[k] > 0 {
			rows = append(rows, Row{Kind: k, Count: t.n[k], What: says[k], Bytes: t.bytes[k]})
		}
	}
	return rows
}

// Add adds what another found.
func (t *Tally) Add(o *Tally) {
	for k := range kinds {
		t.n[k] += o.n[k]
		t.bytes[k] += o.bytes[k]
	}
	t.Left += o.Left
}

// Whole takes bytes that nothing follows, such as a datagram.
func (t *Tally) Whole(b []byte) {
	var f telemetry.Frame
	for len(b) > 0 {
		used, ok := t.scan.NextInto(&f, b, true)
		if !ok {
			break
		}
		t.run(b[:used-len(f.Raw)])
		b = b[used:]
	}
	t.run(b)
}

// Stream takes the next piece of a stream.
func (t *Tally) Stream(b []byte) {
	var f telemetry.Frame
	t.rest = append(t.rest, b...)
	for {
		used, ok := t.scan.NextInto(&f, t.rest[t.scanned:], false)
		t.scanned += used
		if !ok {
			break
		}
		t.run(t.rest[:t.scanned-len(f.Raw)])
		t.rest, t.scanned = t.rest[t.scanned:], 0
	}
	if t.scanned > mostRest {
		t.run(t.rest[:t.scanned])
		t.rest, t.scanned = t.rest[t.scanned:], 0
	}
	t.rest = slices.Clone(t.rest)
}

// End takes what a stream left unfinished.
func (t *Tally) End() {
	t.Whole(t.rest)
	t.rest, t.scanned = nil, 0
}

// head is where the parts of a frame lie.
type head struct {
	id                uint32
	payload, sum, end int // the payload's beginning, the checksum's, the frame's end
	system, component byte
	v1                bool
	flags             byte
	known             bool
	base, full, seed  uint8
}

// Frame layout: MAVLink guide, "Packet Serialization".
func headOf(b []byte) (h head, ok bool) {
	switch {
	case len(b) >= 6 && b[0] == 0xFE:
		h = head{id: uint32(b[5]), payload: 6, system: b[3], component: b[4], v1: true}
	case len(b) >= 10 && b[0] == 0xFD:
		h = head{id: binary.LittleEndian.Uint32(b[6:]) >> 8, payload: 10, system: b[5], component: b[6], flags: b[2]}
	default:
		return h, false
	}
	h.sum = h.payload + int(b[1])
	if h.end = h.sum + 2; h.flags&1 != 0 {
		h.end += 13
	}
	h.base, h.full, h.seed, h.known = telemetry.Definition(h.id)
	return h, true
}

// likely reports whether a head is one of a frame that may have been damaged behind it.
func (h *head) likely(size byte) bool {
	if h.v1 {
		return h.known && (size == h.base || size == h.full)
	}
	return h.known && h.flags&^1 == 0 && size <= h.full
}

// run takes bytes between two good frames.
func (t *Tally) run(r []byte) {
	for len(r) > 0 {
		h, ok := headOf(r)
		framed := ok && (h.end == len(r) || h.end < len(r) && (r[h.end] == 0xFE || r[h.end] == 0xFD))
		n := 0
		switch {
		case framed:
			if n = h.end; !t.judge(r[:n], &h) {
				n = t.damaged(r, &h)
			}
		case ok:
			n = t.damaged(r, &h)
		}
		if n == 0 {
			// Noise, up to the next head that may be a frame's.
			for n = 1; n < len(r); n++ {
				if h, ok := headOf(r[n:]); ok && (h.likely(r[n+1]) || h.end == len(r)-n) {
					break
				}
			}
			t.Left += uint64(n)
		}
		r = r[n:]
	}
}

// damaged counts a frame of a known message that fails, and gives its bytes: up to
// the next head, or to its end. 0 means that it is none.
func (t *Tally) damaged(r []byte, h *head) int {
	if !h.likely(r[1]) {
		return 0
	}
	n := min(h.end, len(r))
	for k := h.payload; k < min(len(r), h.end+2); k++ {
		if next, ok := headOf(r[k:]); ok && next.likely(r[k+1]) {
			n = k
			break
		}
	}
	t.add(Damaged, n)
	return n
}

func (t *Tally) add(k Kind, size int) { t.n[k]++; t.bytes[k] += uint64(size) }

// judge returns what a frame is that stands as one; false means that its sum fails by
// every definition.
func (t *Tally) judge(b []byte, h *head) bool {
	want := binary.LittleEndian.Uint16(b[h.sum:])
	right := h.known && telemetry.Checksum(b[1:h.sum], h.seed) == want
	kind := Damaged
	switch {
	case h.flags&^1 != 0 && right:
		kind = OddFlags
	case right && (h.system == 0 || h.component == 0):
		kind = NoSender
	case right && b[1] > h.base:
		kind = Extended
	case right:
		kind = OtherSize
	case h.known && !h.v1 && untrimmed(b, h, want):
		kind = Untrimmed
	default:
		return t.otherwise(b, h, want)
	}
	t.add(kind, len(b))
	return true
}

// untrimmed reports whether the checksum is right with zeros at the payload's end.
func untrimmed(b []byte, h *head, want uint16) bool {
	whole := slices.Clone(b[1:h.sum])
	for len(whole)-(h.payload-1) < int(h.full) {
		whole = append(whole, 0)
		for _, size := range []byte{b[1], byte(len(whole) - (h.payload - 1))} {
			whole[0] = size
			if telemetry.Checksum(whole, h.seed) == want {
				return true
			}
		}
	}
	return false
}

// otherwise looks for another definition by which the frame is right.
func (t *Tally) otherwise(b []byte, h *head, want uint16) bool {
	seed := -1
	for s := range 256 {
		if telemetry.Checksum(b[1:h.sum], byte(s)) == want {
			seed = s
			break
		}
	}
	if seed < 0 {
		return false
	}
	if t.other == nil {
		t.other = map[seeded]*once{}
	}
	k := seeded{h.id, byte(seed)}
	o := t.other[k]
	if o == nil {
		if len(t.other) == mostOther {
			return false
		}
		o = &once{}
		t.other[k] = o
	}
	o.n, o.bytes = o.n+1, o.bytes+uint64(len(b))
	kind := OtherSeed
	if !h.known {
		kind = Unknown
	}
	switch o.n {
	case 1:
		t.add(Damaged, len(b))
	case 2: // the first was none that fails
		t.n[Damaged]--
		t.bytes[Damaged] -= o.bytes - uint64(len(b))
		t.add(kind, len(b))
		t.add(kind, int(o.bytes)-len(b))
	default:
		t.add(kind, len(b))
	}
	return true
}
