package recording

import (
	"encoding/binary"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
)

// flowPacket is a datagram from one port to another.
func flowPacket(t *testing.T, from, to uint16, payload []byte) []byte {
	t.Helper()
	ip := &layers.IPv4{Version: 4, TTL: 64, Protocol: layers.IPProtocolUDP, SrcIP: net.IP{127, 0, 0, 1}, DstIP: net.IP{127, 0, 0, 1}}
	udp := &layers.UDP{SrcPort: layers.UDPPort(from), DstPort: layers.UDPPort(to)}
	_ = udp.SetNetworkLayerForChecksum(ip)
	buf := gopacket.NewSerializeBuffer()
	head := binary.LittleEndian.AppendUint32(nil, 2)
	if err := gopacket.SerializeLayers(buf, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true},
		gopacket.Payload(head), ip, udp, gopacket.Payload(payload)); err != nil {
		t.Fatal(err)
	}
	return slices.Clone(buf.Bytes())
}

// A link that was forwarded and recorded on two ports is read once, the denser one; two
// crafts stay two; and a capture merged with itself, or put behind itself, is read once.
func TestALinkRecordedTwiceIsReadOnce(t *testing.T) {
	const n = 600
	type sent struct {
		at     time.Duration
		packet []byte
	}
	var link, thin, other []sent
	for i := range n {
		f := numberedFrame(attitude(1, uint32(1000+50*i)), byte(i))
		at := time.Duration(i) * 50 * time.Millisecond
		link = append(link, sent{at, flowPacket(t, 45000, 40123, f)})
		if i%3 != 0 { // forwarded, with losses, a little later
			thin = append(thin, sent{at + 2*time.Millisecond, flowPacket(t, 46000, 40124, f)})
		}
		other = append(other, sent{at, flowPacket(t, 47000, 40123, numberedFrame(attitude(2, uint32(9000+50*i)), byte(i)))})
	}
	for _, c := range []struct {
		name  string
		all   [][]sent // merged by time
		then  []sent   // put behind
		want  int
		says  string
		ports uint16
	}{
		{"one link", [][]sent{link}, nil, n, "", 0},
		{"two ports", [][]sent{thin, link}, nil, n, "recorded once more", 0},
		{"two ports, one named", [][]sent{thin, link}, nil, len(thin), "", 40124},
		{"two crafts", [][]sent{link, other}, nil, 2 * n, "", 0},
		{"merged with itself", [][]sent{link, link}, nil, n, "a second time", 0},
		{"put behind itself", [][]sent{link}, link, n, "a second time", 0},
		{"put behind itself with its header", [][]sent{link}, append([]sent{{}}, link...), n, "a second time", 0},
	} {
		var all []sent
		for _, list := range c.all {
			all = append(all, list...)
		}
		slices.SortStableFunc(all, func(a, b sent) int { return int(a.at - b.at) })
		file := func(list []sent) []byte {
			var at []time.Duration
			var packets [][]byte
			for _, s := range list {
				at, packets = append(at, s.at), append(packets, s.packet)
			}
			return pcapOf(binary.LittleEndian, false, 0, at, packets...)
		}
		b := file(append(slices.Clone(all), c.then...))
		if len(c.then) > 0 && c.then[0].packet == nil {
			b = append(file(all), file(c.then[1:])...)
		}
		path := filepath.Join(t.TempDir(), "link.pcap")
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		var how []Option
		if c.ports > 0 {
			how = append(how, OnlyPort(c.ports))
		}
		r, err := Open(path, how...)
		if err != nil {
			t.Fatal(c.name, err)
		}
		got, _ := drain(t, r)
		info := r.Info()
		r.Close()
		notes := strings.Join(info.Notes(), "; ")
		if len(got) != c.want || !strings.Contains(notes, c.says) || c.says == "" && strings.Contains(notes, "once") ||
			info.Span > 31*time.Second || info.Set != 0 {
			t.Errorf("%s: %d datagrams, want %d, over %v; %s", c.name, len(got), c.want, info.Span, notes)
		}
	}
}
