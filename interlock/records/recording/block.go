package recording

import (
	"math/bits"

	"downhaul/interlock/records/recorder"
)

// From draft-ietf-opsawg-pcapng (block types, options) and the link-layer
// header types of the tcpdump group (numbers of LINKTYPE_).
const (
	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockOldPacket = 2
	blockSimple    = 3
	blockPacket    = 6
	orderMagic     = 0x1A2B3C4D

	linkNull     = 0
	linkEthernet = 1
	linkRawOld   = 12 // DLT_RAW of most systems
	linkRawBSD   = 14 // DLT_RAW of one
	linkRaw      = recorder.LinkRaw
	linkLoop     = 108
	linkSLL      = 113
	linkUser0    = recorder.LinkUser0
	linkIPv4     = 228
	linkIPv6     = 229
	linkSLL2     = 276
)

// Option codes (draft-ietf-opsawg-pcapng, section 3.5 and the blocks' own).
const (
	optEnd         = 0
	optComment     = 1
	optApplication = 4  // section header: shb_userappl
	optName        = 2  // interface: if_name
	optAbout       = 3  // interface: if_description
	optResolution  = 9  // interface: if_tsresol
	optOffset      = 14 // interface: if_tsoffset
	optDropCount   = 4  // packet: epb_dropcount
	optPacketID    = 5  // packet: epb_packetid
)

// inside takes the body of a block apart. Damage sets g.end.
func (g *gate) inside(kind uint32, body []byte) {
	switch kind {
	case blockSection:
		g.section(body)
	case blockInterface:
		g.addInterface(body)
	case blockPacket, blockOldPacket:
		if len(body) < 20 {
			g.damaged("a packet block of %d bytes", len(body)+12)
			return
		}
		id := g.u32(body)
		if kind == blockOldPacket {
			id = uint32(g.u16(body))
		}
		kept := g.u32(body[12:])
		padded := (uint64(kept) + 3) &^ 3
		if padded > uint64(len(body)-20) {
			g.damaged("a packet of %d bytes in a block of %d", kept, len(body)+12)
			return
		}
		options := body[20+padded:]
		if kind == blockOldPacket {
			options = nil
		} else if !g.fit(options) {
			g.damaged("a packet whose options do not fit")
			return
		}
		if f := g.iface(id); f != nil {
			ns, ok := f.nanoseconds(uint64(g.u32(body[4:]))<<32 | uint64(g.u32(body[8:])))
			if !ok {
				g.damaged("a packet whose time is before 1970 or past 2262")
				return
			}
			// Field by field: a copy of what was just put together waits for its parts.
			p := &g.pkt
			p.id, p.ns, p.dated, p.data, p.options = int(id), ns, true, body[20:20+kept], options
			g.ready, g.packets = true, true
		}
	case blockSimple:
		if len(body) < 4 || len(g.ifaces) == 0 {
			g.damaged("a simple packet without an interface or a length")
			return
		}
		// The original length; what was kept may be less, up to the end of the
		// block and the interface's own limit.
		kept := min(uint64(g.u32(body)), uint64(len(body)-4))
		if snap := g.ifaces[0].snap; snap > 0 {
			kept = min(kept, uint64(snap))
		}
		g.iface(0)
		g.pkt = packet{data: body[4 : 4+kept]}
		g.ready = true
	}
	// Statistics, names and the like: nothing is taken from them.
}

// iface is the packet's interface.
func (g *gate) iface(id uint32) *iface {
	if uint64(id) >= uint64(len(g.ifaces)) {
		g.damaged("a packet of interface %d; there are %d", id, len(g.ifaces))
		return nil
	}
	f := &g.ifaces[id]
	return f
}

func (g *gate) section(body []byte) {
	if len(body) < 16 || !g.fit(body[16:]) {
		g.damaged("a section header whose options do not fit")
		return
	}
	if v, w := g.u16(body[4:]), g.u16(body[6:]); v != 1 || w != 0 && w != 2 {
		g.damaged("a section of pcapng version %d.%d; only 1.0 is known", v, w)
		return
	}
	g.ifaces, g.application, g.comment = g.ifaces[:0], "", ""
	g.packets, g.doubtful = false, false
	for code, value := range g.options(body[16:]) {
		switch code {
		case optApplication:
			g.application = string(value)
		case optComment:
			g.comment = string(value)
		}
	}
	if err := newer(g.application, g.comment, ""); err != nil {
		g.end = err
	}
}

func (g *gate) addInterface(body []byte) {
	if len(body) < 8 || !g.fit(body[8:]) {
		g.damaged("an interface whose options do not fit")
		return
	}
	if g.doubtful {
		g.damaged("an interface behind damage: its number is not known")
		return
	}
	if len(g.ifaces) >= 1024 {
		g.damaged("more than 1024 interfaces")
		return
	}
	f := iface{link: g.u16(body), snap: g.u32(body[4:]), scale: 1000}
	for code, value := range g.options(body[8:]) {
		switch {
		case code == optName:
			f.name = string(value)
		case code == optAbout:
			f.about = string(value)
		case code == optResolution && len(value) > 0:
			if !f.setResolution(value[0]) {
				g.damaged("an interface with a clock of resolution %#x", value[0])
				return
			}
		case code == optOffset && len(value) >= 8:
			f.offset = int64(g.u64(value))
		}
	}
	if f.form, f.own = formOf(f.name, f.link); f.own {
		if err := newer(g.application, g.comment, f.about); err != nil {
			g.end = err
			return
		}
	}
	g.ifaces = append(g.ifaces, f)
}

// setResolution takes if_tsresol: 10^-n, or 2^-n with the highest bit set.
func (f *iface) setResolution(r byte) bool {
	if r&0x80 != 0 {
		f.bits, f.scale = r&0x7F, 0
		return f.bits < 64
	}
	if r > 19 {
		return false
	}
	f.finer = r > 9
	n := 9 - int(r)
	if f.finer {
		n = -n
	}
	for f.scale = 1; n > 0; n-- {
		f.scale *= 10
	}
	return true
}

// nanoseconds turns a packet's count into time since 1970; ok false when it does
// not fit.
func (f *iface) nanoseconds(count uint64) (int64, bool) {
	var ns, over uint64
	switch {
	case f.scale == 0:
		over = count >> f.bits
		part := count & (1<<f.bits - 1)
		hi, lo := bits.Mul64(part, 1e9)
		ns = lo>>f.bits | hi<<(64-f.bits)
		hi, lo = bits.Mul64(over, 1e9)
		var carry uint64
		ns, carry = bits.Add64(ns, lo, 0)
		over = hi + carry
	case f.finer:
		ns = count / f.scale
	default:
		over, ns = bits.Mul64(count, f.scale)
	}
	const most, second = 1<<63 - 1, 1_000_000_000
	if over != 0 || ns > most || f.offset > most/second || f.offset < -most/second {
		return 0, false
	}
	sum := int64(ns) + f.offset*second
	return sum, sum >= 0 && (f.offset < 0 || sum >= int64(ns))
}

// fit reports whether a list of options ends within its bytes.
func (g *gate) fit(b []byte) bool {
	for len(b) > 0 {
		if len(b) < 4 {
			return false
		}
		code, size := g.u16(b), (int(g.u16(b[2:]))+3)&^3
		if code == optEnd {
			return size == 0
		}
		if size > len(b)-4 {
			return false
		}
		b = b[4+size:]
	}
	return true
}

// options goes through a list that fits.
func (g *gate) options(b []byte) func(func(uint16, []byte) bool) {
	return func(yield func(uint16, []byte) bool) {
		for len(b) >= 4 {
			code, size := g.u16(b), int(g.u16(b[2:]))
			if code == optEnd || !yield(code, b[4:4+size]) {
				return
			}
			b = b[4+(size+3)&^3:]
		}
	}
}
