package recording

import (
	"encoding/binary"
	"net/netip"
)

// what a captured packet turned out to hold.
type holds uint8

const (
	holdsUDP holds = iota
	holdsTCP
	holdsFragment // part of a datagram that was split on its way; see fragments
	holdsOtherIP
	holdsOther
	holdsShort // too short for its own headers, or they contradict themselves
)

// datagram is a UDP payload with its addresses.
type datagram struct {
	from, to netip.AddrPort
	payload  []byte
	cut      bool   // the capture kept only the beginning
	part     []byte // of one that was split: the IP packet, in version 6 from the fragment's header on
}

// knownLink reports whether unwrap can look into that link type.
func knownLink(link uint16) bool {
	switch link {
	case linkNull, linkEthernet, linkRawOld, linkRawBSD, linkRaw, linkLoop, linkSLL, linkIPv4, linkIPv6, linkSLL2:
		return true
	}
	return false
}

// Ether types (IEEE registration authority).
const (
	etherIPv4 = 0x0800
	etherIPv6 = 0x86DD
	etherVLAN = 0x8100
	etherQinQ = 0x88A8
)

// unwrap finds the UDP payload in a packet of that link type.
func unwrap(link uint16, p []byte, d *datagram) holds {
	var ether uint16
	switch link {
	case linkRaw, linkRawOld, linkRawBSD, linkIPv4, linkIPv6:
		return unwrapIP(p, d)
	case linkNull, linkLoop:
		// Four bytes of address family, whose numbers and byte order differ
		// between systems: the version nibble of the packet itself decides.
		if len(p) < 4 {
			return holdsShort
		}
		return unwrapIP(p[4:], d)
	case linkEthernet:
		if len(p) < 14 {
			return holdsShort
		}
		ether, p = binary.BigEndian.Uint16(p[12:]), p[14:]
		for ether == etherVLAN || ether == etherQinQ {
			if len(p) < 4 {
				return holdsShort
			}
			ether, p = binary.BigEndian.Uint16(p[2:]), p[4:]
		}
	case linkSLL:
		if len(p) < 16 {
			return holdsShort
		}
		ether, p = binary.BigEndian.Uint16(p[14:]), p[16:]
	case linkSLL2:
		if len(p) < 20 {
			return holdsShort
		}
		ether, p = binary.BigEndian.Uint16(p), p[20:]
	default:
		return holdsOther
	}
	if ether != etherIPv4 && ether != etherIPv6 {
		return holdsOther
	}
	return unwrapIP(p, d)
}

// Protocol numbers (IANA).
const (
	protoHopByHop = 0
	protoTCP      = 6
	protoUDP      = 17
	protoRouting  = 43
	protoFragment = 44
	protoOptions  = 60
)

func unwrapIP(p []byte, d *datagram) holds {
	if len(p) < 1 {
		return holdsShort
	}
	switch p[0] >> 4 {
	case 4:
		return unwrap4(p, d)
	case 6:
		return unwrap6(p, d)
	}
	return holdsOther
}

func unwrap4(p []byte, d *datagram) holds {
	if len(p) < 20 {
		return holdsShort
	}
	head, total := int(p[0]&0x0F)*4, int(binary.BigEndian.Uint16(p[2:]))
	if total == 0 {
		total = len(p) // left to the network card by the capturing host
	}
	if head < 20 || len(p) < head || total < head {
		return holdsShort
	}
	from, to := netip.AddrFrom4([4]byte(p[12:16])), netip.AddrFrom4([4]byte(p[16:20]))
	proto := p[9]
	d.cut = total > len(p)
	if binary.BigEndian.Uint16(p[6:])&0x3FFF != 0 { // more fragments, or offset
		d.from, d.to, d.part = netip.AddrPortFrom(from, 0), netip.AddrPortFrom(to, 0), p[:min(total, len(p))]
		return holdsFragment
	}
	return unwrapUDP(proto, p[head:min(total, len(p))], from, to, d)
}

func unwrap6(p []byte, d *datagram) holds {
	if len(p) < 40 {
		return holdsShort
	}
	from, to := netip.AddrFrom16([16]byte(p[8:24])), netip.AddrFrom16([16]byte(p[24:40]))
	total, proto := int(binary.BigEndian.Uint16(p[4:])), p[6]
	p = p[40:]
	if total == 0 {
		total = len(p)
	}
	d.cut = total > len(p)
	p = p[:min(total, len(p))]
	proto, p, ok := options6(proto, p)
	if !ok {
		return holdsShort
	}
	if proto == protoFragment {
		d.from, d.to, d.part = netip.AddrPortFrom(from, 0), netip.AddrPortFrom(to, 0), p
		return holdsFragment
	}
	return unwrapUDP(proto, p, from, to, d)
}

// options6 passes over the headers of options that may stand in front of a payload
// (RFC 8200).
func options6(proto byte, p []byte) (byte, []byte, bool) {
	for proto == protoHopByHop || proto == protoRouting || proto == protoOptions {
		if len(p) < 8 {
			return proto, p, false
		}
		size := int(p[1])*8 + 8
		if len(p) < size {
			return proto, p, false
		}
		proto, p = p[0], p[size:]
	}
	return proto, p, true
}

func unwrapUDP(proto byte, p []byte, from, to netip.Addr, d *datagram) holds {
	switch proto {
	case protoTCP:
		return holdsTCP
	case protoUDP:
	default:
		return holdsOtherIP
	}
	if len(p) < 8 {
		return holdsShort
	}
	size := int(binary.BigEndian.Uint16(p[4:]))
	switch {
	case size == 0:
		size = len(p) // left to the network card
	case size < 8:
		return holdsShort
	case size > len(p):
		if !d.cut {
			return holdsShort
		}
		size = len(p)
	}
	d.from = netip.AddrPortFrom(from, binary.BigEndian.Uint16(p))
	d.to = netip.AddrPortFrom(to, binary.BigEndian.Uint16(p[2:]))
	d.payload = p[8:size]
	return holdsUDP
}
