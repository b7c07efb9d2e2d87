package recording

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Ours. No packet of a telemetry link needs a larger block; what claims more is
// damaged. It also bounds the memory of a reader.
const maxBlock = 1 << 20

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
	link    uint16
	name    string
	about   string
	packets uint64
	form    form
	own     bool // form is set
}

// gate stands between a file and the library that takes its packets apart. It
// lets one checked block through at each Read, so that the library never sees a
// length that contradicts itself, and the place of every block is known.
type gate struct {
	br     *bufio.Reader
	ng     bool // blocks of pcapng; else records of pcap
	order  binary.ByteOrder
	nano   bool // pcap: nanoseconds
	off    int64
	size   int    // of the block at off, still in br
	cur    []byte // its part that was not read yet
	end    error  // why there is no further block; io.EOF at a proper end
	blocks uint64

	ifaces   []iface
	sections int
	// of the packet at hand
	link uint16
	id   int
	stub bool // it carries no time
}

func (g *gate) Read(p []byte) (int, error) {
	for len(g.cur) == 0 {
		if g.end != nil {
			return 0, io.EOF
		}
		g.advance()
	}
	n := copy(p, g.cur)
	g.cur = g.cur[n:]
	return n, nil
}

// advance moves to the next block.
func (g *gate) advance() {
	if g.size > 0 {
		_, _ = g.br.Discard(g.size)
		g.off += int64(g.size)
		g.size = 0
	}
	if g.ng {
		g.nextBlock()
	} else {
		g.nextRecord()
	}
}

// fail ends the file at the present block.
func (g *gate) damaged(format string, args ...any) {
	g.end = &Damaged{Offset: g.off, Text: fmt.Sprintf(format, args...)}
}

func (g *gate) torn(format string, args ...any) {
	g.end = &Torn{Offset: g.off, Text: fmt.Sprintf(format, args...)}
}

// peek looks at the next n bytes; short says that the file ends before.
func (g *gate) peek(n int) (b []byte, short bool) {
	b, err := g.br.Peek(n)
	if err != nil && !errors.Is(err, io.EOF) {
		g.end = fmt.Errorf("read recording at byte %d: %w", g.off, err)
	}
	return b, len(b) < n
}

// zeros says whether everything from the present block on is zero, apart from
// the first n bytes. It reads to the end, which is only done when there is no
// going on.
func (g *gate) zeros(n int) bool {
	if _, err := g.br.Discard(n); err != nil {
		return false
	}
	for {
		b, err := g.br.Peek(1)
		if err != nil {
			return errors.Is(err, io.EOF)
		}
		b, _ = g.br.Peek(g.br.Buffered())
		if len(bytes.TrimLeft(b, "\x00")) > 0 {
			return false
		}
		_, _ = g.br.Discard(len(b))
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
	kind := g.order.Uint32(head)
	if kind == blockSection {
		switch uint32(orderMagic) {
		case binary.LittleEndian.Uint32(head[8:]):
			g.order = binary.LittleEndian
		case binary.BigEndian.Uint32(head[8:]):
			g.order = binary.BigEndian
		default:
			g.damaged("a section header without its byte-order mark")
			return
		}
	}
	length := g.order.Uint32(head[4:])
	if length < 12 || length%4 != 0 || length > maxBlock {
		switch {
		case kind == 0 && g.zeros(0):
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
	if g.order.Uint32(block[length-4:]) != length {
		kept := len(bytes.TrimRight(block, "\x00"))
		if kept <= int(length)-4 && g.zeros(int(length)) {
			g.torn("the last block was not finished, then zeros, as after a power cut")
		} else {
			g.damaged("a block whose two lengths differ")
		}
		return
	}
	g.size = int(length)
	if g.inside(kind, block) {
		g.cur = block
		g.blocks++
	}
}

// holdsBlock says whether a whole packet or interface block stands somewhere
// in b.
func (g *gate) holdsBlock(b []byte) bool {
	for ; len(b) >= 12; b = b[4:] {
		kind, length := g.order.Uint32(b), g.order.Uint32(b[4:])
		if kind != blockPacket && kind != blockInterface && kind != blockSection && kind != blockSimple {
			continue
		}
		if length >= 16 && length%4 == 0 && uint64(length) <= uint64(len(b)) && g.order.Uint32(b[length-4:]) == length {
			return true
		}
	}
	return false
}

// inside checks what the library will read of a block. False skips the block,
// or ends the file when g.end is set.
func (g *gate) inside(kind uint32, b []byte) bool {
	body := b[8 : len(b)-4]
	switch kind {
	case blockSection:
		if len(body) < 16 || !g.options(body[16:]) {
			g.damaged("a section header whose options do not fit")
			return false
		}
		if v := g.order.Uint16(body[4:]); v != 1 || g.order.Uint16(body[6:]) != 0 {
			g.damaged("a section of pcapng version %d.%d; only 1.0 is known", v, g.order.Uint16(body[6:]))
			return false
		}
		g.ifaces = g.ifaces[:0]
		g.sections++
	case blockInterface:
		return g.addInterface(body)
	case blockPacket, blockOldPacket:
		if len(body) < 20 {
			g.damaged("a packet block of %d bytes", len(b))
			return false
		}
		id := int(g.order.Uint32(body))
		if kind == blockOldPacket {
			id = int(g.order.Uint16(body))
		}
		kept := g.order.Uint32(body[12:])
		padded := (uint64(kept) + 3) &^ 3
		if padded > uint64(len(body)-20) {
			g.damaged("a packet of %d bytes in a block of %d", kept, len(b))
			return false
		}
		if rest := body[20+padded:]; len(rest) > 0 && kind == blockPacket && !g.options(rest) {
			g.damaged("a packet whose options do not fit")
			return false
		}
		return g.packet(id, false)
	case blockSimple:
		if len(body) < 4 || uint64(g.order.Uint32(body)) > uint64(len(body)-4) {
			g.damaged("a simple packet that does not fit its block")
			return false
		}
		return g.packet(0, true)
	default:
		return false // statistics, names and the like: nothing is taken from them
	}
	return true
}

func (g *gate) packet(id int, stub bool) bool {
	if id < 0 || id >= len(g.ifaces) {
		g.damaged("a packet of interface %d; there are %d", id, len(g.ifaces))
		return false
	}
	g.id, g.link, g.stub = id, g.ifaces[id].link, stub
	g.ifaces[id].packets++
	return true
}

func (g *gate) addInterface(body []byte) bool {
	if len(body) < 8 || !g.options(body[8:]) {
		g.damaged("an interface whose options do not fit")
		return false
	}
	if len(g.ifaces) >= 1024 {
		g.damaged("more than 1024 interfaces")
		return false
	}
	f := iface{link: g.order.Uint16(body)}
	for rest := body[8:]; len(rest) >= 4; {
		code, size := g.order.Uint16(rest), int(g.order.Uint16(rest[2:]))
		value := rest[4 : 4+size]
		switch {
		case code == 0:
			rest = nil
			continue
		case code == 2:
			f.name = string(value)
		case code == 3:
			f.about = string(value)
		case code == 9 && len(value) > 0:
			if r := value[0]; r&0x80 == 0 && r > 18 || r&0x7F > 62 {
				g.damaged("an interface with a clock of 10^-%d or 2^-%d s", r, r&0x7F)
				return false
			}
		}
		rest = rest[4+(size+3)&^3:]
	}
	f.form, f.own = formOf(f.name, f.link)
	g.ifaces = append(g.ifaces, f)
	return true
}

// options says whether a list of options ends within its bytes.
func (g *gate) options(b []byte) bool {
	for len(b) > 0 {
		if len(b) < 4 {
			return false
		}
		code, size := g.order.Uint16(b), (int(g.order.Uint16(b[2:]))+3)&^3
		if code == 0 {
			return size == 0
		}
		if size > len(b)-4 {
			return false
		}
		b = b[4+size:]
	}
	return true
}

// nextRecord is nextBlock for pcap.
func (g *gate) nextRecord() {
	if g.blocks == 0 {
		head, short := g.peek(24)
		if g.end != nil {
			return
		}
		if short {
			g.torn("the file header has %d of its 24 bytes", len(head))
			return
		}
		// The upper bits tell of a checksum at the end of each frame.
		g.ifaces = append(g.ifaces[:0], iface{link: g.order.Uint16(linkBytes(head, g.order))})
		g.cur, g.size = head, 24
		g.blocks++
		return
	}
	head, short := g.peek(16)
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
	frac, kept, length := g.order.Uint32(head[4:]), g.order.Uint32(head[8:]), g.order.Uint32(head[12:])
	if length == 0 && kept == 0 && g.order.Uint32(head) == 0 {
		if g.zeros(0) {
			g.torn(zeroTail)
			return
		}
		g.damaged("a record without time and length")
		return
	}
	limit := uint32(1e6)
	if g.nano {
		limit = 1e9
	}
	if kept > maxBlock/4 || kept > length || frac >= limit {
		g.damaged("a record that keeps %d of %d bytes, %d parts of a second", kept, length, frac)
		return
	}
	record, short := g.peek(16 + int(kept))
	if g.end != nil {
		return
	}
	if short {
		g.torn("the last record has %d of its %d bytes", len(record), 16+kept)
		return
	}
	g.cur, g.size = record, len(record)
	g.blocks++
	g.packet(0, false)
}

// linkBytes is where the low half of the link type stands.
func linkBytes(head []byte, order binary.ByteOrder) []byte {
	if order == binary.ByteOrder(binary.BigEndian) {
		return head[22:]
	}
	return head[20:]
}
