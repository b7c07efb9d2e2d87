package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"downhaul/interlock/records/recorder"
)

// Ours. No packet of a telemetry link needs a larger block; what claims more is
// damaged. It also bounds the memory of a reader.
const maxBlock = 1 << 19

// Ours. How far behind damage the next good block or record is looked for, and
// how many zeros are passed to see whether they are the end. No power cut and no
// failing disk leaves a longer stretch in a recording; a file that was made of
// nothing can be 16 GB of it.
const mostDamage = 64 << 20

// Torn is returned by Next at an end that a power cut can leave: a last block
// that was not finished, or zeros. All before Offset was read.
type Torn struct {
	Offset int64
	Text   string
}

func (e *Torn) Error() string {
	return fmt.Sprintf("recording is torn at byte %d: %s; all before it was read", e.Offset, e.Text)
}

// Damaged is returned by Next at a block that is not as a writer leaves it, with
// more behind it. What stands behind Offset was not read.
type Damaged struct {
	Offset int64
	Text   string
}

func (e *Damaged) Error() string {
	return fmt.Sprintf("recording is damaged at byte %d: %s; all before it was read, nothing behind it", e.Offset, e.Text)
}

// iface is one interface of a pcapng section, or the one of a pcap.
type iface struct {
	link  uint16
	snap  uint32 // bytes kept of a packet at most; 0 for no limit
	name  string
	about string
	form  recorder.Form
	own   bool // form is set

	// The clock: one unit is 2^-bits s, or scale ns, or one scale-th of a ns.
	bits   uint8
	scale  uint64
	finer  bool
	offset int64 // s
}

// packet is one captured packet. Its bytes are valid until the next one.
type packet struct {
	id      int   // of the interface
	ns      int64 // since 1970
	dated   bool  // ns is set
	data    []byte
	options []byte // of an enhanced packet block, checked
}

// gate takes the blocks of a pcapng, or the records of a pcap, one by one out of
// a file of any length with bounded memory, and checks each in itself before
// anything in it is believed. It knows where each stands, which is what the
// library does not tell: so torn ends and damage can be named.
type gate struct {
	w      window
	ng     bool // blocks of pcapng; else records of pcap
	order  binary.ByteOrder
	big    bool // order is big-endian
	nano   bool // pcap: nanoseconds
	off    int64
	size   int   // of the block at off, still in the window
	end    error // why there is no further block; io.EOF at a proper end
	eaten  int64 // bytes behind off that a look for zeros took out of the window
	blocks uint64

	ifaces      []iface
	application string // of the section
	comment     string
	past        bool   // see PastDamage
	packets     bool   // the section had a packet: its interfaces are told
	doubtful    bool   // behind damage in this section: what it lost is not known
	times       recent // of a pcap, with past
	pkt         packet
	ready       bool // pkt is the block at off
}

// next moves to the next packet.
func (g *gate) next() (*packet, error) {
	g.ready = false
	for !g.ready {
		if g.end != nil {
			return nil, g.end
		}
		g.advance()
	}
	return &g.pkt, nil
}

// header reads what stands in front of the packets: the section header, or the
// header of a pcap.
func (g *gate) header() error {
	g.advance()
	if errors.Is(g.end, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return g.end
}

// advance moves to the next block.
func (g *gate) advance() {
	if g.size > 0 {
		g.w.pass(g.size)
		g.off += int64(g.size)
		g.size = 0
	}
	if g.ng {
		g.nextBlock()
	} else {
		g.nextRecord()
	}
}

func (g *gate) setOrder(order binary.ByteOrder) {
	g.order, g.big = order, order == binary.ByteOrder(binary.BigEndian)
}

// u32 and u16 are what g.order does, without its call: they are asked often.
func (g *gate) u32(b []byte) uint32 {
	if g.big {
		return binary.BigEndian.Uint32(b)
	}
	return binary.LittleEndian.Uint32(b)
}

func (g *gate) u16(b []byte) uint16 {
	if g.big {
		return binary.BigEndian.Uint16(b)
	}
	return binary.LittleEndian.Uint16(b)
}

func (g *gate) u64(b []byte) uint64 {
	if g.big {
		return binary.BigEndian.Uint64(b)
	}
	return binary.LittleEndian.Uint64(b)
}

// damaged and torn end the file at the present block.
func (g *gate) damaged(format string, args ...any) {
	g.end = &Damaged{Offset: g.off, Text: fmt.Sprintf(format, args...)}
}

func (g *gate) torn(format string, args ...any) {
	g.end = &Torn{Offset: g.off, Text: fmt.Sprintf(format, args...)}
}

// peek looks at the next n bytes; short reports whether the file ends before.
func (g *gate) peek(n int) (b []byte, short bool) {
	b, err := g.w.peek(n)
	if err != nil && !errors.Is(err, io.EOF) {
		g.unreadable(err)
	}
	return b, len(b) < n
}

func (g *gate) unreadable(err error) {
	g.end = fmt.Errorf("read recording at byte %d: %w", g.off, err)
}

// zeros reports whether everything from the present block on is zero, apart from
// the first n bytes. It reads on for at most mostDamage, and only where nothing
// else stands in what can be looked at.
func (g *gate) zeros(n int) bool {
	if b, _ := g.w.peek(bufferSize); len(b) > n && len(bytes.TrimLeft(b[n:], "\x00")) > 0 {
		return false
	}
	g.w.pass(n)
	g.eaten += int64(n)
	for {
		if _, err := g.w.peek(1); err != nil {
			return errors.Is(err, io.EOF)
		}
		b := g.w.held
		if len(bytes.TrimLeft(b, "\x00")) > 0 || g.eaten >= mostDamage {
			return false
		}
		g.w.pass(len(b))
		g.eaten += int64(len(b))
	}
}

const zeroTail = "from here on the file holds only zeros, as after a power cut"

func (g *gate) nextBlock() {
	head, short := g.peek(12)
	if g.end != nil {
		return
	}
	if short {
		switch {
		case len(head) == 0:
			g.end = io.EOF
		default:
			g.torn("the last block was not finished")
		}
		return
	}
	kind := g.u32(head)
	if kind == blockSection {
		switch uint32(orderMagic) {
		case binary.LittleEndian.Uint32(head[8:]):
			g.setOrder(binary.LittleEndian)
		case binary.BigEndian.Uint32(head[8:]):
			g.setOrder(binary.BigEndian)
		default:
			g.damaged("a section header without its byte-order mark")
			return
		}
	}
	length := g.u32(head[4:])
	if length < 12 || length%4 != 0 || length > maxBlock {
		switch {
		case g.zeros(len(bytes.TrimRight(head, "\x00"))):
			g.torn(zeroTail)
		default:
			g.damaged("a block of %d bytes; want 12 to %d and a multiple of 4", length, maxBlock)
		}
		return
	}
	block, short := g.peek(int(length))
	if g.end != nil {
		return
	}
	if short {
		if g.holdsBlock(block[4:]) {
			g.damaged("a block that claims %d bytes, with whole blocks inside", length)
		} else {
			g.torn("the last block has %d of its %d bytes", len(block), length)
		}
		return
	}
	if g.u32(block[length-4:]) != length {
		kept := len(bytes.TrimRight(block, "\x00"))
		if kept <= int(length)-4 && g.zeros(int(length)) {
			g.torn("the last block was not finished, then zeros, as after a power cut")
		} else {
			g.damaged("a block whose two lengths differ")
		}
		return
	}
	if g.past && g.covers(kind, block) {
		g.damaged("a block of a kind that is not known here, with whole blocks inside")
		return
	}
	g.size = int(length)
	g.blocks++
	g.inside(kind, block[8:length-4])
}

// holdsBlock reports whether a whole packet or interface block stands somewhere
// in b.
func (g *gate) holdsBlock(b []byte) bool {
	for ; len(b) >= 12; b = b[4:] {
		kind, length := g.u32(b), g.u32(b[4:])
		if kind != blockPacket && kind != blockInterface && kind != blockSection && kind != blockSimple {
			continue
		}
		if length >= 16 && length%4 == 0 && uint64(length) <= uint64(len(b)) && g.u32(b[length-4:]) == length {
			return true
		}
	}
	return false
}
