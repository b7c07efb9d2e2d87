package recorder

import (
	"encoding/binary"
	"fmt"
	"net/netip"

	"downhaul/interlock/day/intake"
)

// Block types, option codes and constants of draft-ietf-opsawg-pcapng.
const (
	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockPacket    = 6
	orderMagic     = 0x1A2B3C4D

	optEnd         = 0
	optComment     = 1
	optName        = 2 // if_name
	optAbout       = 3 // if_description
	optApplication = 4 // shb_userappl
	optDropCount   = 4 // epb_dropcount
	optPacketID    = 5 // epb_packetid
	optResolution  = 9 // if_tsresol
)

var order = binary.LittleEndian

// blocks are pcapng blocks one behind the other.
type blocks []byte

// section appends a section header of no stated length.
func (b *blocks) section(application, comment string) {
	start := b.begin(blockSection)
	*b = order.AppendUint32(*b, orderMagic)
	*b = order.AppendUint16(*b, 1) // version 1.0
	*b = order.AppendUint16(*b, 0)
	*b = order.AppendUint64(*b, 1<<64-1)
	option(b, optApplication, application)
	option(b, optComment, comment)
	b.end(start)
}

// iface appends an interface whose times are nanoseconds.
func (b *blocks) iface(link uint16, name, about string) {
	start := b.begin(blockInterface)
	*b = order.AppendUint16(*b, link)
	*b = order.AppendUint16(*b, 0)
	*b = order.AppendUint32(*b, 0) // packets of any length
	option(b, optName, name)
	option(b, optAbout, about)
	option(b, optResolution, []byte{9})
	b.end(start)
}

// longestComment is ours; an option's length has 16 bits.
const longestComment = 16 << 10

// packet appends a packet; a loss or a number of 0 is not written.
func (b *blocks) packet(iface int, ns int64, data []byte, comments []string, lost, number uint64) {
	start := b.begin(blockPacket)
	*b = order.AppendUint32(*b, uint32(iface))
	*b = order.AppendUint32(*b, uint32(uint64(ns)>>32))
	*b = order.AppendUint32(*b, uint32(ns))
	*b = order.AppendUint32(*b, uint32(len(data))) // kept
	*b = order.AppendUint32(*b, uint32(len(data))) // of
	*b = append(*b, data...)
	b.pad()
	bare := len(*b)
	for _, text := range comments {
		option(b, optComment, text[:min(len(text), longestComment)])
	}
	for _, o := range [...]struct {
		code  uint16
		value uint64
	}{{optDropCount, lost}, {optPacketID, number}} {
		if o.value > 0 {
			option(b, o.code, order.AppendUint64(nil, o.value))
		}
	}
	if len(*b) == bare {
		b.close(start)
		return
	}
	b.end(start)
}

// begin begins a block whose length is not known yet.
func (b *blocks) begin(kind uint32) (start int) {
	start = len(*b)
	*b = order.AppendUint32(*b, kind)
	*b = order.AppendUint32(*b, 0)
	return start
}

// end ends the options and the block.
func (b *blocks) end(start int) {
	*b = order.AppendUint32(*b, optEnd)
	b.close(start)
}

// close writes the block's length at both its ends.
func (b *blocks) close(start int) {
	size := uint32(len(*b) + 4 - start)
	order.PutUint32((*b)[start+4:], size)
	*b = order.AppendUint32(*b, size)
}

// pad fills up with zeros: what follows begins at a multiple of four.
func (b *blocks) pad() {
	for len(*b)%4 != 0 { // each block is a multiple of four
		*b = append(*b, 0)
	}
}

func option[T string | []byte](b *blocks, code uint16, value T) {
	*b = order.AppendUint16(*b, code)
	*b = order.AppendUint16(*b, uint16(len(value)))
	*b = append(*b, value...)
	b.pad()
}

// mostDatagram is what UDP can carry over IPv4 (RFC 768 and RFC 791).
const mostDatagram = 65535 - 20 - 8

// appendDatagram puts a datagram into made-up IP and UDP headers with its
// addresses (RFC 791, RFC 8200, RFC 768).
func appendDatagram(out []byte, c intake.Chunk) ([]byte, error) {
	to := c.To
	if !to.IsValid() {
		to = netip.AddrPortFrom(netip.IPv4Unspecified(), 0)
	}
	from, dest := c.From.Addr().WithZone(""), to.Addr().WithZone("")
	if dest.IsUnspecified() && dest.Is4() != from.Is4() {
		dest = netip.IPv6Unspecified()
		if from.Is4() {
			dest = netip.IPv4Unspecified()
		}
	}
	if len(c.Bytes) > mostDatagram {
		return out, fmt.Errorf("datagram of %d bytes: more than UDP can carry", len(c.Bytes))
	}
	const udp, hops = 17, 64 // protocol number; ours
	size := uint16(8 + len(c.Bytes))
	big := binary.BigEndian
	var addresses []byte
	if from.Is4() && dest.Is4() {
		addresses = append(from.AsSlice(), dest.AsSlice()...)
		out = append(out, 0x45, 0)
		out = big.AppendUint16(out, 20+size)
		out = append(out, 0, 0, 0x40, 0, hops, udp, 0, 0) // not to be split
		out = append(out, addresses...)
		big.PutUint16(out[10:], ^sum16(0, out))
	} else {
		a, b := from.As16(), dest.As16()
		addresses = append(a[:], b[:]...)
		out = append(out, 0x60, 0, 0, 0)
		out = big.AppendUint16(out, size)
		out = append(out, udp, hops)
		out = append(out, addresses...)
	}
	at := len(out)
	out = big.AppendUint16(out, c.From.Port())
	out = big.AppendUint16(out, to.Port())
	out = big.AppendUint16(out, size)
	out = append(out, 0, 0)
	out = append(out, c.Bytes...)
	// Over the addresses, the protocol, the length, and the datagram itself.
	check := ^sum16(uint32(sum16(udp+uint32(size), addresses)), out[at:])
	if check == 0 {
		check = 0xFFFF // 0 means that there is none
	}
	big.PutUint16(out[at+6:], check)
	return out, nil
}

// sum16 is the sum in ones' complement that IP and UDP use (RFC 1071).
func sum16(sum uint32, b []byte) uint16 {
	for ; len(b) > 1; b = b[2:] {
		sum += uint32(b[0])<<8 | uint32(b[1])
	}
	if len(b) == 1 {
		sum += uint32(b[0]) << 8
	}
	for sum > 0xFFFF {
		sum = sum&0xFFFF + sum>>16
	}
	return uint16(sum)
}
