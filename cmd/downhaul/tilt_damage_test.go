package main

import (
	"bytes"
	"context"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"
)

// taped is a recording of a craft in hands in one form, and where in it each
// moment stands.
type taped struct {
	text []byte
	at   []time.Duration
	offs []int
}

// from is the place of the first datagram at or after a time.
func (r *taped) from(at time.Duration) int {
	for i, t := range r.at {
		if t >= at {
			return r.offs[i]
		}
	}
	return len(r.text)
}

// inMemory is a file that is none.
type inMemory struct{ *bytes.Buffer }

func (inMemory) Sync() error { return nil }
func (m inMemory) Truncate(size int64) error {
	m.Buffer.Truncate(int(size))
	return nil
}
func (inMemory) Close() error { return nil }

// handsRecorded records a craft that is leaned the four ways, with a rest of 4 s
// before each and after the last, as our own pcapng, as a pcap by the library,
// and as raw bytes.
func handsRecorded(t *testing.T) map[string]*taped {
	t.Helper()
	craft, turn := inHands(t, []turned{{4, 0, 0}, {7, 0, -20}, {11, 0, 0}, {14, 0, 20}, {18, 0, 0}, {21, -20, 0}, {25, 0, 0}, {28, 20, 0}, {1e6, 0, 0}})
	from, to := netip.MustParseAddrPort("127.0.0.1:50000"), netip.MustParseAddrPort("127.0.0.1:40123")
	wall := time.Unix(2e9, 0)
	var own, capture, raw bytes.Buffer
	w, err := recorder.Create(inMemory{&own}, recorder.Start{Session: "test", Wall: wall})
	if err != nil {
		t.Fatal(err)
	}
	lib := pcapgo.NewWriter(&capture)
	if err := lib.WriteFileHeader(65535, layers.LinkTypeRaw); err != nil {
		t.Fatal(err)
	}
	out := map[string]*taped{"own.pcapng": {}, "capture.pcap": {}, "bytes.raw": {}}
	seq := uint64(0)
	for craft.Now() < 32*time.Second {
		turn(craft)
		craft.Step(20 * time.Millisecond)
		for _, d := range craft.Frames(nil) {
			for name, b := range map[string]*bytes.Buffer{"own.pcapng": &own, "capture.pcap": &capture, "bytes.raw": &raw} {
				out[name].at, out[name].offs = append(out[name].at, d.At), append(out[name].offs, b.Len())
			}
			seq++
			if err := w.Put(intake.Chunk{At: d.At, Seq: seq, Source: intake.Telemetry, Bytes: d.Bytes, From: from, To: to}); err != nil {
				t.Fatal(err)
			}
			if err := w.Flush(); err != nil { // the next begins where the buffer ends
				t.Fatal(err)
			}
			udp := &layers.UDP{SrcPort: layers.UDPPort(from.Port()), DstPort: layers.UDPPort(to.Port())}
			ip := &layers.IPv4{Version: 4, TTL: 64, Protocol: layers.IPProtocolUDP, SrcIP: net.IP{127, 0, 0, 1}, DstIP: net.IP{127, 0, 0, 1}}
			_ = udp.SetNetworkLayerForChecksum(ip)
			packet := gopacket.NewSerializeBuffer()
			if err := gopacket.SerializeLayers(packet, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, ip, udp, gopacket.Payload(d.Bytes)); err != nil {
				t.Fatal(err)
			}
			if err := lib.WritePacket(gopacket.CaptureInfo{Timestamp: wall.Add(d.At), CaptureLength: len(packet.Bytes()), Length: len(packet.Bytes())}, packet.Bytes()); err != nil {
				t.Fatal(err)
			}
			raw.Write(d.Bytes)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	out["own.pcapng"].text, out["capture.pcap"].text, out["bytes.raw"].text = own.Bytes(), capture.Bytes(), raw.Bytes()
	return out
}

// A recording is looked at behind its damage too: where that fell into a rest the
// leans count, and where it fell into a lean that lean was not held, however short
// the damage was.
func TestTiltReadsOnBehindDamage(t *testing.T) {
	_, cardFile, padFile := tiltFiles(t, "1", "2", "127.0.0.1:40123")
	dir := t.TempDir()
	for name, r := range handsRecorded(t) {
		capture := name != "bytes.raw"
		over := func(from, to time.Duration) []byte {
			b := bytes.Clone(r.text)
			copy(b[r.from(from)+3:r.from(to)-1], bytes.Repeat([]byte{0xEE}, len(b)))
			return b
		}
		cut := func(at time.Duration) []byte { return bytes.Clone(r.text[:r.from(at)-5]) }
		for _, c := range []struct {
			what   string
			text   []byte
			passes bool
			says   string
			note   bool
		}{
			{"nothing", r.text, true, "Every motor answered the right way.", false},
			{"a rest", over(8*time.Second, 8200*time.Millisecond), true, "Every motor answered the right way.", capture},
			{"a lean", over(5500*time.Millisecond, 6900*time.Millisecond), false, "nose down not held", capture},
			{"a moment of a lean", over(6200*time.Millisecond, 6260*time.Millisecond), !capture, pick(capture, "the next lean wants a rest of 2 s", "Every motor"), capture},
			{"a lean and the rest behind it", over(13*time.Second, 17*time.Second), false, "tail down not held", capture},
			{"the end, in a rest", cut(30 * time.Second), true, "Every motor answered the right way.", capture},
			{"the end, in a lean", cut(27 * time.Second), !capture, pick(capture, "right side down not held", "Every motor"), capture},
		} {
			file := filepath.Join(dir, name)
			if err := os.WriteFile(file, c.text, 0o644); err != nil {
				t.Fatal(err)
			}
			var out, errs bytes.Buffer
			code := run(context.Background(), []string{"tilt", "--card", cardFile, "--pad", padFile, file}, &streams{strings.NewReader(""), &out, &errs})
			said := strings.Join(strings.Fields(out.String()), " ")
			want := somethingWas
			if c.passes {
				want = nothingFound
			}
			if code != want || !strings.Contains(said, c.says) {
				t.Errorf("%s, damage in %s: ended with %d, want %d and %q:\n%s%s", name, c.what, code, want, c.says, out.String(), errs.String())
			}
			notes := strings.Count(said, "Note: ")
			if !capture { // of raw bytes it is said whose clock tells the time
				notes--
			}
			if (notes > 0) != c.note || notes < 0 {
				t.Errorf("%s, damage in %s: said to be damaged: %v:\n%s", name, c.what, !c.note, out.String())
			}
			for _, line := range strings.Split(out.String(), "\n") {
				if len(line) > columns {
					t.Errorf("%d columns: %s", len(line), line)
				}
			}
		}
	}
}
