package bench

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

// speedFrames is how many frames the benchmark replays.
const speedFrames = 200_000

// flights is what a modelled craft sends, whole frames one behind the other: as raw
// bytes, and one a datagram as a pcap and as a guard's own pcapng.
func flights(b *testing.B, frames int) map[string][]byte {
	b.Helper()
	c, err := craftmodel.New(craftmodel.HeronTwo())
	if err != nil {
		b.Fatal(err)
	}
	file := &memory{}
	w, err := recorder.Create(file, recorder.Start{Session: "flight", Software: "test", Wall: time.Unix(1_900_000_000, 0).UTC()})
	if err != nil {
		b.Fatal(err)
	}
	from, to := netip.MustParseAddrPort("10.0.0.2:40131"), netip.MustParseAddrPort("10.0.0.1:40132")
	// Header of a pcap with microseconds and IPv4 packets (draft-ietf-opsawg-pcap).
	pcap := []byte{0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 228, 0, 0, 0}
	var raw []byte
	var sent []craftmodel.Datagram
	n := 0
	for now := time.Duration(0); n < frames; now += 100 * time.Millisecond {
		c.Advance(now)
		sent = c.Frames(sent[:0])
		for _, d := range sent[:min(len(sent), frames-n)] {
			n++
			raw = append(raw, d.Bytes...)
			if err := w.Put(intake.Chunk{At: d.At, Seq: uint64(n), Source: intake.Telemetry, From: from, To: to, Bytes: d.Bytes}); err != nil {
				b.Fatal(err)
			}
			size := len(d.Bytes) + 28
			for _, v := range []int{1_900_000_000 + int(d.At/time.Second), int(d.At % time.Second / time.Microsecond), size, size} {
				pcap = binary.LittleEndian.AppendUint32(pcap, uint32(v))
			}
			pcap = append(pcap, 0x45, 0, byte(size>>8), byte(size), 0, 0, 0, 0, 64, 17, 0, 0, 10, 0, 0, 2, 10, 0, 0, 1,
				byte(from.Port()>>8), byte(from.Port()&0xFF), byte(to.Port()>>8), byte(to.Port()&0xFF), byte((size-20)>>8), byte(size-20), 0, 0)
			pcap = append(pcap, d.Bytes...)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return map[string][]byte{"raw": raw, "pcap": pcap, "pcapng": file.b}
}

// the 21 messages that a guard can want; the library gets no others.
var wantedMessages = []message.Message{
	&common.MessageHeartbeat{}, &common.MessageSysStatus{}, &common.MessageSystemTime{},
	&common.MessageAttitude{}, &common.MessageLocalPositionNed{}, &common.MessageGlobalPositionInt{},
	&common.MessageServoOutputRaw{}, &common.MessageVfrHud{}, &common.MessageRadioStatus{},
	&common.MessageDistanceSensor{}, &common.MessageAltitude{}, &common.MessageBatteryStatus{},
	&common.MessageEstimatorStatus{}, &common.MessageWindCov{}, &common.MessageVibration{},
	&common.MessageHomePosition{}, &common.MessageExtendedSysState{}, &common.MessageNamedValueFloat{},
	&common.MessageStatustext{}, &common.MessageEscStatus{}, &common.MessageEscInfo{},
}

// bareScan walks whole version 2 frames and checks each sum: the least that any
// reader of them must do. It gives how many there are, -1 if one is damaged.
func bareScan(b []byte, seeds *[512]byte, sum func(b []byte, seed byte) uint16) int {
	n := 0
	for len(b) >= 12 {
		end := 10 + int(b[1])
		if b[0] != 0xFD || len(b) < end+2 || b[9] != 0 || b[8] > 1 {
			return -1
		}
		id := int(b[7]) | int(b[8])<<8
		if sum(b[1:end], seeds[id]) != binary.LittleEndian.Uint16(b[end:]) {
			return -1
		}
		b = b[end+2:]
		n++
	}
	return n
}

// processorTime is what this process has used so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkReplay replays a flight, raw, as pcap and as pcapng, through a 20-rule
// envelope, beside three floors over the raw bytes: a bare scan that only checks the sums,
// with the library's checksum (byte by byte, as the standard's own code has it) and
// with the scanner's, which takes sixteen bytes at a time; and the library's own
// reader, decoding the 21 messages that a guard can want. The shipped programs are built
// with cmd/downhaul/default.pgo: give -pgo with its full path to measure what they do.
func BenchmarkReplay(b *testing.B) {
	all := flights(b, speedFrames)
	raw, env := all["raw"], twenty(b)
	report := func(b *testing.B, from time.Duration) {
		// On a machine that others use, too, only this time is the work's own.
		b.ReportMetric(float64(processorTime(b)-from)/float64(b.N)/speedFrames, "cpu-ns/frame")
	}
	for _, form := range []string{"raw", "pcap", "pcapng"} {
		b.Run(form, func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "flight")
			if err := os.WriteFile(name, all[form], 0o644); err != nil {
				b.Fatal(err)
			}
			setup, _, err := Watching([]string{name}, env, nil)
			if err != nil {
				b.Fatal(err)
			}
			from := processorTime(b)
			b.ResetTimer()
			for b.Loop() {
				rec, err := recording.OpenReader(bytes.NewReader(all[form]))
				if err != nil {
					b.Fatal(err)
				}
				r, err := Replay(name, rec, setup)
				if err != nil {
					b.Fatal(err)
				}
				if r.Frames+r.Ignored < speedFrames*99/100 || r.BadBytes > 0 {
					b.Fatalf("%d frames, %d ignored, %d bad bytes", r.Frames, r.Ignored, r.BadBytes)
				}
			}
			report(b, from)
		})
	}
	table := &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: wantedMessages}}
	if err := table.Initialize(); err != nil {
		b.Fatal(err)
	}
	var seeds [512]byte
	for _, m := range wantedMessages {
		seeds[m.GetID()] = table.GetMessage(m.GetID()).CRCExtra()
	}
	x := x25.New()
	for name, sum := range map[string]func(b []byte, seed byte) uint16{
		"bare": telemetry.Checksum,
		"bare, the library's checksum": func(b []byte, seed byte) uint16 {
			x.Reset()
			x.Write(b)
			x.Write([]byte{seed})
			return x.Sum16()
		},
	} {
		b.Run(name, func(b *testing.B) {
			from := processorTime(b)
			b.ResetTimer()
			for b.Loop() {
				if n := bareScan(raw, &seeds, sum); n != speedFrames {
					b.Fatalf("%d frames", n)
				}
			}
			report(b, from)
		})
	}
	b.Run("library", func(b *testing.B) {
		from := processorTime(b)
		for b.Loop() {
			r := &frame.Reader{BufByteReader: bufio.NewReaderSize(bytes.NewReader(raw), 64<<10), DialectRW: table}
			if err := r.Initialize(); err != nil {
				b.Fatal(err)
			}
			n := 0
			for {
				_, err := r.Read()
				if err == io.EOF {
					break
				}
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n != speedFrames {
				b.Fatalf("%d frames", n)
			}
		}
		report(b, from)
	})
}
