package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/layers"
)

// endless is a file of one byte, and counts how much of it is read.
type endless struct {
	of         byte
	left, read int64
}

func (e *endless) Read(p []byte) (int, error) {
	n := min(int64(len(p)), e.left)
	if n == 0 {
		return 0, io.EOF
	}
	for i := range p[:n] {
		p[i] = e.of
	}
	e.left -= n
	e.read += n
	return int(n), nil
}

// Behind a good beginning stand gigabytes of nothing. The look for the next good
// block or record ends after a stated stretch, with what is wrong and where.
//
//fault:row a recording goes on for gigabytes of zeros or noise, or names an impossible length in front of them | the reader gives up after 64 MB, says where and why, and keeps what it had read
func TestLongDamageEndsTheRecording(t *testing.T) {
	ng, _ := longer(t)
	huge := binary.LittleEndian.AppendUint32(nil, blockPacket)
	huge = binary.LittleEndian.AppendUint32(huge, 0xF0000000)
	one := packetOf(t, layers.LinkTypeRaw, false, "one")
	pcap := pcapOf(binary.LittleEndian, false, uint32(layers.LinkTypeRaw), make([]time.Duration, 4), one, one, one, one)
	wild := binary.LittleEndian.AppendUint32(nil, 1_700_000_000)
	wild = binary.LittleEndian.AppendUint32(wild, 0)
	wild = binary.LittleEndian.AppendUint32(wild, 0xF0000000)
	wild = binary.LittleEndian.AppendUint32(wild, 0xF0000000)
	for _, c := range []struct {
		what string
		head []byte
		of   byte
	}{
		{"pcapng, zeros", ng, 0},
		{"pcapng, a length of 0xF0000000, then zeros", append(bytes.Clone(ng), huge...), 0},
		{"pcapng, noise", ng, 0xA5},
		{"pcap, zeros", pcap, 0},
		{"pcap, a length of 0xF0000000, then zeros", append(bytes.Clone(pcap), wild...), 0},
		{"pcap, noise", pcap, 0xA5},
	} {
		for _, past := range [][]Option{nil, {PastDamage()}} {
			tail := &endless{of: c.of, left: 1 << 30}
			began := time.Now()
			r, err := OpenReader(io.MultiReader(bytes.NewReader(c.head), tail), past...)
			if err != nil {
				t.Fatalf("%s: %v", c.what, err)
			}
			got, end := read(t, r)
			var damaged *Damaged
			if !errors.As(end, &damaged) || len(got) == 0 || damaged.Offset > int64(len(c.head)) {
				t.Errorf("%s, past damage %v: %d chunks, then %v", c.what, past != nil, len(got), end)
			} else if past != nil && !strings.Contains(end.Error(), "64 MB") {
				t.Errorf("%s: %v; want it to say how far it looked", c.what, end)
			}
			if tail.read > 2*mostDamage {
				t.Errorf("%s, past damage %v: %d MB were read behind the damage, in %v", c.what, past != nil, tail.read>>20, time.Since(began))
			}
		}
	}
}
