package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// packetOf builds one packet by the library: an outer frame of the link type,
// IP and UDP around the payload.
func packetOf(t testing.TB, link layers.LinkType, six bool, payload string) []byte {
	t.Helper()
	udp := &layers.UDP{SrcPort: 40131, DstPort: 40123}
	var stack []gopacket.SerializableLayer
	ether, family := layers.EthernetTypeIPv4, uint32(2)
	if six {
		ether, family = layers.EthernetTypeIPv6, 30
	}
	mac := net.HardwareAddr{2, 0, 0, 0, 0, 1}
	switch link {
	case layers.LinkTypeEthernet:
		stack = append(stack, &layers.Ethernet{SrcMAC: mac, DstMAC: mac, EthernetType: ether})
	case layers.LinkTypeNull, layers.LinkTypeLoop:
		head := binary.LittleEndian.AppendUint32(nil, family)
		if link == layers.LinkTypeLoop {
			head = binary.BigEndian.AppendUint32(nil, family)
		}
		stack = append(stack, gopacket.Payload(head))
	case layers.LinkTypeLinuxSLL: // LINKTYPE_LINUX_SLL: type, ARPHRD, length, address, protocol
		head := append([]byte{0, 0, 0, 1, 0, 6, 2, 0, 0, 0, 0, 1, 0, 0}, 0, 0)
		binary.BigEndian.PutUint16(head[14:], uint16(ether))
		stack = append(stack, gopacket.Payload(head))
	case layers.LinkTypeLinuxSLL2: // LINKTYPE_LINUX_SLL2: protocol first, 20 bytes
		head := make([]byte, 20)
		binary.BigEndian.PutUint16(head, uint16(ether))
		stack = append(stack, gopacket.Payload(head))
	}
	if six {
		ip := &layers.IPv6{Version: 6, HopLimit: 64, NextHeader: layers.IPProtocolUDP, SrcIP: net.ParseIP("2001:db8::7"), DstIP: net.ParseIP("2001:db8::1")}
		_ = udp.SetNetworkLayerForChecksum(ip)
		stack = append(stack, ip)
	} else {
		ip := &layers.IPv4{Version: 4, TTL: 64, Protocol: layers.IPProtocolUDP, SrcIP: net.IP{192, 0, 2, 7}, DstIP: net.IP{192, 0, 2, 1}}
		_ = udp.SetNetworkLayerForChecksum(ip)
		stack = append(stack, ip)
	}
	buf := gopacket.NewSerializeBuffer()
	stack = append(stack, udp, gopacket.Payload(payload))
	if err := gopacket.SerializeLayers(buf, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, stack...); err != nil {
		t.Fatal(err)
	}
	return bytes.Clone(buf.Bytes())
}

var links = []layers.LinkType{
	layers.LinkTypeEthernet, layers.LinkTypeRaw, layers.LinkTypeLinuxSLL, layers.LinkTypeLinuxSLL2,
	layers.LinkTypeNull, layers.LinkTypeLoop,
}

// pcapOf makes a pcap by hand, in either byte order and resolution
// (draft-ietf-opsawg-pcap).
func pcapOf(order binary.AppendByteOrder, nano bool, link uint32, at []time.Duration, packets ...[]byte) []byte {
	magic, unit := uint32(0xA1B2C3D4), int64(1000)
	if nano {
		magic, unit = 0xA1B23C4D, 1
	}
	b := order.AppendUint32(nil, magic)
	b = order.AppendUint16(order.AppendUint16(b, 2), 4)
	b = append(b, make([]byte, 8)...)
	b = order.AppendUint32(order.AppendUint32(b, 262144), link)
	for i, p := range packets {
		ns := wall.Add(at[i]).UnixNano()
		b = order.AppendUint32(b, uint32(ns/1e9))
		b = order.AppendUint32(b, uint32(ns%1e9/unit))
		b = order.AppendUint32(order.AppendUint32(b, uint32(len(p))), uint32(len(p)))
		b = append(b, p...)
	}
	return b
}

func TestForeign_EveryLinkTypeOrderAndResolution(t *testing.T) {
	at := []time.Duration{0, 1500 * time.Microsecond, 2 * time.Second}
	for _, link := range links {
		for _, six := range []bool{false, true} {
			packets := [][]byte{packetOf(t, link, six, "one"), packetOf(t, link, six, ""), packetOf(t, link, six, "three")}
			files := map[string][]byte{
				"little, us": pcapOf(binary.LittleEndian, false, uint32(link), at, packets...),
				"big, us":    pcapOf(binary.BigEndian, false, uint32(link), at, packets...),
				"little, ns": pcapOf(binary.LittleEndian, true, uint32(link), at, packets...),
				"big, ns":    pcapOf(binary.BigEndian, true, uint32(link), at, packets...),
			}
			var ng bytes.Buffer
			w, err := pcapgo.NewNgWriter(&ng, link)
			if err != nil {
				t.Fatal(err)
			}
			for i, p := range packets {
				if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: wall.Add(at[i]), CaptureLength: len(p), Length: len(p)}, p); err != nil {
					t.Fatal(err)
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			files["pcapng"] = ng.Bytes()
			for name, text := range files {
				r, err := OpenReader(bytes.NewReader(text))
				if err != nil {
					t.Fatalf("%v, %s: %v", link, name, err)
				}
				all, err := drain(t, r)
				if !errors.Is(err, io.EOF) || len(all) != 3 {
					t.Fatalf("%v, %s: %d chunks, %v, %+v", link, name, len(all), err, r.Info())
				}
				for i, want := range []string{"one", "", "three"} {
					c := all[i]
					if string(c.Bytes) != want || c.At != at[i] || c.Source != intake.Telemetry || c.Seq != uint64(i+1) ||
						c.From.Port() != 40131 || c.To.Port() != 40123 || c.From.Addr().Is6() != six {
						t.Errorf("%v, %s: chunk %+v", link, name, c)
					}
				}
				if got := r.Info().Start.Truncate(time.Microsecond); !got.Equal(wall.Truncate(time.Microsecond)) {
					t.Errorf("%v, %s: start %v", link, name, got)
				}
			}
		}
	}
}

// TestForeign_MixedLinkTypes: interfaces of different link types in one file all
// count.
func TestForeign_MixedLinkTypes(t *testing.T) {
	var b bytes.Buffer
	w, err := pcapgo.NewNgWriter(&b, links[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, link := range links[1:] {
		if _, err := w.AddInterface(pcapgo.NgInterface{LinkType: link}); err != nil {
			t.Fatal(err)
		}
	}
	for round := range 5 {
		for i, link := range links {
			p := packetOf(t, link, round%2 == 1, "x")
			if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: wall, CaptureLength: len(p), Length: len(p), InterfaceIndex: i}, p); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	if all, err := drain(t, r); !errors.Is(err, io.EOF) || len(all) != 30 {
		t.Errorf("%d of 30 packets, %v", len(all), err)
	}
}

func TestForeign_WhatIsLeftOutIsCounted(t *testing.T) {
	good := packetOf(t, layers.LinkTypeEthernet, false, "good")
	change := func(f func(p []byte)) []byte { p := bytes.Clone(good); f(p); return p }
	tagged := append(append(bytes.Clone(good[:12]), 0x81, 0, 0, 5), good[12:]...)
	extended := packetOf(t, layers.LinkTypeEthernet, true, "six")
	{
		// A hop-by-hop header of eight bytes (RFC 8200, section 4.3).
		head := bytes.Clone(extended[:54])
		head[14+6] = 0
		binary.BigEndian.PutUint16(head[14+4:], binary.BigEndian.Uint16(head[14+4:])+8)
		extended = append(append(head, 17, 0, 1, 4, 0, 0, 0, 0), extended[54:]...)
	}
	fragment6 := bytes.Clone(packetOf(t, layers.LinkTypeEthernet, true, "six"))
	fragment6[14+6] = 44
	packets := [][]byte{
		good, tagged, extended,
		change(func(p []byte) { p[14+9] = 6 }),                                 // TCP
		change(func(p []byte) { p[14+6] = 0x20 }),                              // more fragments
		change(func(p []byte) { p[14+7] = 9 }),                                 // a later fragment
		fragment6,                                                              // an IPv6 fragment
		change(func(p []byte) { p[14+9] = 1 }),                                 // ICMP
		change(func(p []byte) { p[12], p[13] = 8, 6 }),                         // ARP
		change(func(p []byte) { p[14] = 0x4F }),                                // an IP header longer than the packet
		change(func(p []byte) { binary.BigEndian.PutUint16(p[14+20+4:], 4) }),  // a UDP length below 8
		change(func(p []byte) { binary.BigEndian.PutUint16(p[14+20+4:], 99) }), // and one past the packet
		good[:20],
		good[:3],
		{},
		change(func(p []byte) { binary.BigEndian.PutUint16(p[14+20+2:], 9) }), // another port
		good[:14+20+8+2], // cut by the capture (the frame is padded to 60 bytes)
	}
	at := make([]time.Duration, len(packets))
	text := pcapOf(binary.LittleEndian, false, 1, at, packets...)
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, err := drain(t, r)
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	var got []string
	for _, c := range all {
		got = append(got, string(c.Bytes))
	}
	if s := strings.Join(got, " "); s != "good good six good go" {
		t.Errorf("payloads %s", s)
	}
	info := r.Info()
	if want := (Skipped{TCP: 1, Fragments: 3, OtherIP: 1, Other: 1, Short: 6}); info.Skipped != want {
		t.Errorf("skipped %+v, want %+v", info.Skipped, want)
	}
	if info.Cut != 1 || len(info.Ports) != 2 || info.Ports[0] != 9 || len(info.Notes()) != 5 {
		t.Errorf("info %+v, notes %q", info, info.Notes())
	}
	// The same by port.
	r, err = OpenReader(bytes.NewReader(text), OnlyPort(9))
	if err != nil {
		t.Fatal(err)
	}
	if all, _ := drain(t, r); len(all) != 1 || all[0].To.Port() != 9 || r.Info().Skipped.OtherPort != 4 {
		t.Errorf("%d chunks, %+v", len(all), r.Info())
	}
	if _, err := OpenReader(bytes.NewReader(text), OnlyPort(77)); err == nil || !strings.Contains(err.Error(), "there are some to 9, 40123") {
		t.Errorf("a port nobody sends to: %v", err)
	}
	// TCP alone, and nothing of IP at all, are refused when opened.
	for want, p := range map[string][]byte{"a capture of TCP: 2 packets": packets[3], "no UDP datagram in 2 packets (2 not IP)": packets[8], "2 parts of split": packets[4]} {
		_, err := OpenReader(bytes.NewReader(pcapOf(binary.LittleEndian, false, 1, at, p, p)))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// TestForeign_TimeNeverRunsBack: captures of several queues are not in order.
func TestForeign_TimeNeverRunsBack(t *testing.T) {
	p := packetOf(t, layers.LinkTypeRaw, false, "x")
	at := []time.Duration{0, -time.Hour, time.Second, 500 * time.Millisecond, time.Second, 2 * time.Second}
	r, err := OpenReader(bytes.NewReader(pcapOf(binary.BigEndian, true, 101, at, p, p, p, p, p, p)))
	if err != nil {
		t.Fatal(err)
	}
	all, _ := drain(t, r)
	for i, want := range []time.Duration{0, 0, time.Second, time.Second, time.Second, 2 * time.Second} {
		if all[i].At != want {
			t.Errorf("chunk %d at %v, want %v", i, all[i].At, want)
		}
	}
	if n := r.Info().Backwards; n != 2 {
		t.Errorf("%d times ran back, want 2", n)
	}
}

// TestForeign_PCAPEveryCut: as for our own.
func TestForeign_PCAPEveryCut(t *testing.T) {
	p := packetOf(t, layers.LinkTypeRaw, false, "abc")
	text := pcapOf(binary.LittleEndian, false, 101, make([]time.Duration, 4), p, p, p, p)
	size := 16 + len(p)
	for cut := 24 + size; cut < len(text); cut++ {
		for _, zeros := range []int{0, 200} {
			r, err := OpenReader(bytes.NewReader(append(bytes.Clone(text[:cut]), make([]byte, zeros)...)))
			if err != nil {
				t.Fatal(err)
			}
			all, err := drain(t, r)
			whole := (cut - 24) / size
			var torn *Torn
			switch {
			case (cut-24)%size == 0 && zeros == 0:
				if !errors.Is(err, io.EOF) || len(all) != whole {
					t.Fatalf("cut at %d: %d chunks, %v", cut, len(all), err)
				}
			case zeros == 0:
				if !errors.As(err, &torn) || torn.Offset != int64(24+whole*size) || len(all) != whole {
					t.Fatalf("cut at %d: %d chunks, %v", cut, len(all), err)
				}
			case len(all) < whole || errors.Is(err, io.EOF):
				t.Fatalf("cut at %d, zeros: %d chunks, %v", cut, len(all), err)
			}
		}
	}
	binary.LittleEndian.PutUint32(text[24+size+8:], 1<<30)
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var damaged *Damaged
	if all, err := drain(t, r); !errors.As(err, &damaged) || damaged.Offset != int64(24+size) || len(all) != 1 {
		t.Errorf("%d chunks, %v", len(all), err)
	}
}

// ngClock is a pcapng of one interface with that if_tsresol and if_tsoffset, and
// packets with those counts, in big-endian order.
func ngClock(t testing.TB, resolution byte, offset int64, counts ...uint64) []byte {
	order := binary.BigEndian
	block := func(kind uint32, body []byte) []byte {
		size := uint32(12 + len(body))
		b := order.AppendUint32(order.AppendUint32(nil, kind), size)
		return order.AppendUint32(append(b, body...), size)
	}
	head := order.AppendUint32(nil, 0x1A2B3C4D)
	head = order.AppendUint16(order.AppendUint16(head, 1), 0)
	text := block(0x0A0D0D0A, order.AppendUint64(head, 1<<64-1))
	face := []byte{0, 101, 0, 0, 0, 0, 0, 0, 0, 9, 0, 1, resolution, 0, 0, 0, 0, 14, 0, 8}
	text = append(text, block(1, append(order.AppendUint64(face, uint64(offset)), 0, 0, 0, 0))...)
	p := packetOf(t, layers.LinkTypeRaw, false, "word")
	for _, count := range counts {
		body := order.AppendUint32(nil, 0)
		body = order.AppendUint32(order.AppendUint32(body, uint32(count>>32)), uint32(count))
		body = order.AppendUint32(order.AppendUint32(body, uint32(len(p))), uint32(len(p)))
		text = append(text, block(6, append(body, p...))...)
	}
	return text
}

// TestForeign_Clocks: times by if_tsresol and if_tsoffset
// (draft-ietf-opsawg-pcapng, section 4.2). The library agrees where it has a
// say: it takes resolution 0 for 6, and rounds binary ones roughly.
func TestForeign_Clocks(t *testing.T) {
	const second = 1780164251
	for _, c := range []struct {
		resolution byte
		count      uint64
		offset     int64
		ns         int64 // behind the second
		agreed     bool
	}{
		{6, second*1e6 + 123456, 0, 123456000, true},
		{9, second*1e9 + 123456789, 0, 123456789, true},
		{3, second*1e3 + 123, 0, 123000000, true},
		{0, second, 0, 0, false},
		{6, 251*1e6 + 123456, second - 251, 123456000, true},
		{9, (second+1000)*1e9 + 5, -1000, 5, true},
		{10, 12345678905, second - 1, 234567890, true},
		{0x80, second, 0, 0, true},
		{0x80 | 20, second<<20 | 1<<19, 0, 500000000, false},
		{0x80 | 30, second<<30 | 12345678, 0, 11497808, false}, // 12345678 / 2^30 s = 0.011497808…
	} {
		want := time.Unix(second, c.ns)
		text := ngClock(t, c.resolution, c.offset, c.count)
		r, err := OpenReader(bytes.NewReader(text))
		if err != nil {
			t.Fatalf("%+v: %v", c, err)
		}
		if got := r.Info().Start; !got.Equal(want) {
			t.Errorf("%+v: %v, want %v", c, got, want)
		}
		lib, err := pcapgo.NewNgReader(bytes.NewReader(text), pcapgo.NgReaderOptions{WantMixedLinkType: true})
		if err != nil {
			t.Fatal(err)
		}
		_, ci, err := lib.ReadPacketData()
		if err != nil || c.agreed && !ci.Timestamp.Equal(want) {
			t.Errorf("%+v: the library says %v %v, want %v", c, ci.Timestamp, err, want)
		}
	}
	for _, c := range []struct {
		resolution byte
		count      uint64
		offset     int64
	}{{6, 1 << 63, 0}, {0, 1 << 40, 0}, {9, 1 << 63, 0}, {6, 0, -1}, {6, 0, 1 << 62}, {0x80, 1 << 50, 0}, {20, 0, 0}, {0xC0, 0, 0}} {
		r, err := OpenReader(bytes.NewReader(ngClock(t, c.resolution, c.offset, c.count)))
		if err == nil {
			_, err = r.Next()
		}
		var damaged *Damaged
		if !errors.As(err, &damaged) {
			t.Errorf("%+v: %v, want damage", c, err)
		}
	}
}

// TestOutside_LibraryAgrees reads the real capture with the library beside.
func TestOutside_LibraryAgrees(t *testing.T) {
	text, err := os.ReadFile(outside(t, "quad-crash-then-mission.pcap"))
	if err != nil {
		t.Fatal(err)
	}
	lib, err := pcapgo.NewReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, _ := drain(t, r)
	var first, last time.Time
	for i, c := range all {
		data, ci, err := lib.ReadPacketData()
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = ci.Timestamp
		}
		if ci.Timestamp.After(last) {
			last = ci.Timestamp
		}
		udp, _ := gopacket.NewPacket(data, lib.LinkType(), gopacket.NoCopy).TransportLayer().(*layers.UDP)
		if udp == nil || !bytes.Equal(udp.Payload, c.Bytes) || last.Sub(first) != c.At {
			t.Fatalf("packet %d differs: %+v", i, c)
		}
	}
	if _, _, err := lib.ReadPacketData(); !errors.Is(err, io.EOF) {
		t.Errorf("the library has more: %v", err)
	}
}
