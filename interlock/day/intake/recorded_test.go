package intake

import (
	"encoding/binary"
	"net/netip"
	"os"
	"testing"
	"time"

	"github.com/gopacket/gopacket/pcapgo"

	"downhaul/interlock"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// A real quadrotor's link with a second sender on it. Truth: what is told of
// the file beside it (data/SOURCES.md): 11,701 frames; system 1 component 1
// armed at 26.8 s, roll past ±179° before 44.7 s, disarmed 45.8, armed again
// 73.7, up to 14.64 m, disarmed 182.8.
func TestRecordedCrash(t *testing.T) {
	r, err := os.Open(architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0])
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	p, err := pcapgo.NewReader(r)
	if err != nil {
		t.Fatal(err)
	}
	var others []uint8
	f := feed(t, Config{Other: func(system, _ uint8) { others = append(others, system) }})
	var start time.Time
	var armed []time.Duration
	var was, roll, top float64
	for n := 0; ; n++ {
		b, ci, err := p.ReadPacketData()
		if err != nil {
			break
		}
		if n == 0 {
			start = ci.Timestamp
		}
		if p.LinkType() == 1 { // Ethernet
			b = b[14:]
		}
		head := int(b[0]&15) * 4
		at := ci.Timestamp.Sub(start)
		from := netip.AddrPortFrom(netip.AddrFrom4([4]byte(b[12:16])), binary.BigEndian.Uint16(b[head:]))
		for _, in := range f.datagram(at, from, b[head+8:head+int(binary.BigEndian.Uint16(b[head+4:]))]) {
			if in.Kind == interlock.HostInput {
				t.Fatalf("at %v: %+v", at, in)
			}
			switch s := in.Sample; s.Channel {
			case rules.CraftArmed:
				if s.Value != was {
					armed = append(armed, at)
				}
				was = s.Value
			case rules.Roll:
				if at < 44700*ms {
					roll = max(roll, s.Value, -s.Value)
				}
			case rules.HeightGlobal:
				top = max(top, s.Value)
			}
		}
	}
	n := f.in.Counts().Links[0]
	t.Logf("%+v, armed changes %v, roll %.4f rad, top %.3f m", n, armed, roll, top)
	if all := n.Frames + n.Radio + n.Others + n.Repeated + n.Late + n.WrongAddress; all != 11701 {
		t.Errorf("%d frames, want 11701", all)
	}
	if n.Others == 0 || uint64(len(others)) != n.Others || others[0] != 255 {
		t.Errorf("%d others, heard of %d, want system 255", n.Others, len(others))
	}
	want := []time.Duration{26800 * ms, 45800 * ms, 73700 * ms, 182800 * ms}
	if len(armed) != len(want) {
		t.Fatalf("armed or disarmed at %v, want %v", armed, want)
	}
	for i, w := range want {
		// Told by a heartbeat once a second.
		if d := armed[i] - w; d < -100*ms || d > 1100*ms {
			t.Errorf("change %d at %v, want %v", i, armed[i], w)
		}
	}
	if roll < 3.124 || top < 14.63 || top > 14.65 { // 179°
		t.Errorf("roll %v rad, want past 3.124; top %v m, want 14.64", roll, top)
	}
}

// Truth: what is told of the file beside it (data/SOURCES.md): 8,681 frames
// with a good checksum, climbs to 16.04 m. A plain frame reader finds fewer.
func TestRecordedLossyLink(t *testing.T) {
	b, err := os.ReadFile(architecture.Data(t, "telemetry/sim-lossy.raw")[0])
	if err != nil {
		t.Fatal(err)
	}
	f := feed(t, Config{Links: []LinkConfig{{Stream: true}}})
	var armed, high int
	for at := time.Duration(0); len(b) > 0; at += 10 * ms {
		n := min(len(b), 28)
		for _, in := range f.chunk(Chunk{At: at, Source: Telemetry, Bytes: b[:n]}) {
			switch s := in.Sample; {
			case s.Channel == rules.CraftArmed && s.Value == 1:
				armed++
			case s.Channel == rules.HeightGlobal && s.Quality == rules.Good && s.Value > 16 && s.Value < 16.1:
				high++
			}
		}
		b = b[n:]
	}
	n := f.in.Counts().Links[0]
	all := n.Frames + n.Radio + n.Others + n.Repeated + n.Late + n.WrongAddress
	if all != 8681 {
		t.Errorf("%d frames with a good checksum, want 8681 (%+v)", all, n)
	}
	if armed == 0 || high == 0 {
		t.Errorf("armed %d times, at its height of 16.04 m %d times", armed, high)
	}
	t.Logf("%+v", n)
}
