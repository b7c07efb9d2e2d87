package recording

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/layers"
)

// splitPacket cuts an Ethernet packet into fragments of at most size bytes of payload,
// after RFC 791, section 3.2, and RFC 8200, section 4.5.
func splitPacket(packet []byte, id uint32, size int) (out [][]byte) {
	be := binary.BigEndian
	six := be.Uint16(packet[12:]) == 0x86DD
	head := packet[:14+20]
	if six {
		head = packet[:14+40]
	}
	payload := packet[len(head):]
	if six {
		payload = payload[:be.Uint16(head[14+4:])]
	} else {
		payload = payload[:be.Uint16(head[14+2:])-20]
	}
	for at := 0; at < len(payload); at += size {
		part := payload[at:min(at+size, len(payload))]
		more := at+size < len(payload)
		p := bytes.Clone(head)
		if six {
			be.PutUint16(p[14+4:], uint16(8+len(part)))
			fragment := []byte{p[14+6], 0, byte(at >> 8), byte(at)}
			p[14+6] = 44
			if more {
				fragment[3] |= 1
			}
			p = append(p, be.AppendUint32(fragment, id)...)
		} else {
			be.PutUint16(p[14+2:], uint16(20+len(part)))
			be.PutUint16(p[14+4:], uint16(id))
			field := uint16(at / 8)
			if more {
				field |= 0x2000
			}
			be.PutUint16(p[14+6:], field)
		}
		out = append(out, append(p, part...))
	}
	return out
}

// Datagrams that were split come out whole, at the time of the part that was last, in
// whatever order the parts came, and one that lacks a part is left out and counted.
func TestSplitDatagramsArePutTogether(t *testing.T) {
	rnd := rand.New(rand.NewPCG(16, 9))
	for _, six := range []bool{false, true} {
		var packets [][]byte
		var at []time.Duration
		var want []string
		lost := uint64(0)
		for i := range 400 {
			text := fmt.Sprintf("%d:%s.", i, strings.Repeat("x", 200+i*7))
			parts := splitPacket(packetOf(t, layers.LinkTypeEthernet, six, text), uint32(i%200), 256)
			switch i % 5 {
			case 0:
				slices.Reverse(parts)
			case 1:
				rnd.Shuffle(len(parts), func(a, b int) { parts[a], parts[b] = parts[b], parts[a] })
			case 2:
				if len(parts) > 1 {
					parts = append(parts[:1:1], append([][]byte{parts[0]}, parts[1:]...)...) // one comes twice
				}
			case 3:
				if i%20 == 3 && len(parts) > 1 {
					parts = parts[1:]
					lost += uint64(len(parts))
					text = ""
				}
			}
			if text != "" {
				want = append(want, text)
			}
			for range parts {
				at = append(at, time.Duration(i)*time.Second)
			}
			packets = append(packets, parts...)
		}
		r, err := OpenReader(bytes.NewReader(pcapOf(binary.LittleEndian, false, 1, at, packets...)))
		if err != nil {
			t.Fatal(err)
		}
		all, _ := drain(t, r)
		var got []string
		for _, c := range all {
			got = append(got, string(c.Bytes))
			if c.From.Port() != 40131 || c.To.Port() != 40123 {
				t.Fatalf("from %v to %v", c.From, c.To)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("version 6 %v: %d datagrams, want %d", six, len(got), len(want))
		}
		info := r.Info()
		if info.Skipped.Fragments < lost || info.Skipped.Fragments > lost+1 || info.Joined == 0 {
			t.Errorf("version 6 %v: %d parts left out, want %d; %d put together", six, info.Skipped.Fragments, lost, info.Joined)
		}
	}
}
