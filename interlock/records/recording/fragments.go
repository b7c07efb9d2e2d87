package recording

import (
	"bytes"
	"encoding/binary"
	"net/netip"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/ip4defrag"
	"github.com/gopacket/gopacket/ip6defrag"
	"github.com/gopacket/gopacket/layers"
)

// Ours. A datagram whose parts are further apart than fragmentsWait stays in pieces
// (RFC 791 and 8200 say up to a minute; a number comes round sooner), and of more than
// mostSplit that wait at once the oldest are given up together.
const (
	fragmentsWait = 30 * time.Second
	mostSplit     = 256
)

// split is a datagram of which parts came.
type split struct {
	from, to netip.Addr
	id       uint32
}

// fragments puts datagrams together that were split on their way, with the capture
// library's code for it.
type fragments struct {
	v4      *ip4defrag.IPv4Defragmenter
	v6      *ip6defrag.IPv6Defragmenter
	waiting map[split]uint64 // how many parts came
	swept   time.Duration
	joined  uint64 // datagrams that are whole
	left    uint64 // parts of those that were given up
}

// parts is how many parts belong to no datagram that is whole.
func (f *fragments) parts() uint64 {
	n := f.left
	for _, k := range f.waiting {
		n += k
	}
	return n
}

// take takes a part, its IP packet or in version 6 what begins with the fragment's
// header, and reports whether its datagram is whole now; then d holds it.
func (f *fragments) take(at time.Duration, d *datagram) holds {
	if f.v4 == nil || len(f.waiting) >= mostSplit {
		f.left = f.parts()
		f.v4, f.v6, f.waiting = ip4defrag.NewIPv4Defragmenter(), ip6defrag.NewIPv6Defragmenter(), map[split]uint64{}
	}
	now := time.Unix(0, int64(at))
	if at-f.swept > fragmentsWait {
		f.v4.DiscardOlderThan(now.Add(-fragmentsWait))
		f.swept = at
	}
	b := bytes.Clone(d.part) // the library keeps it
	key := split{from: d.from.Addr(), to: d.to.Addr()}
	var proto byte
	var payload []byte
	if key.from.Is4() {
		var ip layers.IPv4
		if ip.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
			return holdsShort
		}
		key.id = uint32(ip.Id)
		f.waiting[key]++
		out, err := f.v4.DefragIPv4WithTimestamp(&ip, now)
		if err != nil || out == nil {
			return holdsFragment
		}
		proto, payload = byte(out.Protocol), out.Payload
	} else {
		var part layers.IPv6Fragment
		if part.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
			return holdsShort
		}
		key.id = binary.BigEndian.Uint32(b[4:])
		f.waiting[key]++
		from, to := key.from.As16(), key.to.As16()
		out := f.v6.DefragIPv6(&layers.IPv6{Version: 6, SrcIP: from[:], DstIP: to[:]}, &part)
		if out == nil {
			return holdsFragment
		}
		proto, payload = byte(out.NextHeader), out.Payload
	}
	delete(f.waiting, key)
	f.joined++
	proto, payload, ok := options6(proto, payload)
	if !ok {
		return holdsShort
	}
	d.cut = false
	return unwrapUDP(proto, payload, key.from, key.to, d)
}
