package bench

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"downhaul/interlock/craftmodel"
	"downhaul/interlock/recording"
	"downhaul/interlock/telemetry"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

// speedFrames is how many frames the benchmark replays.
const speedFrames = 1_000_000

// rawFlight is raw MAVLink bytes as a modelled craft sends them, whole frames
// one behind the other.
func rawFlight(b *testing.B, frames int) []byte {
	b.Helper()
	c, err := craftmodel.New(craftmodel.HeronTwo())
	if err != nil {
		b.Fatal(err)
	}
	var out []byte
	var sent []craftmodel.Datagram
	n := 0
	for now := time.Duration(0); n < frames; now += 100 * time.Millisecond {
		c.Advance(now)
		sent = c.Frames(sent[:0])
		for _, d := range sent {
			if n < frames {
				out = append(out, d.Bytes...)
				n++
			}
		}
	}
	return out
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

// BenchmarkReplay replays a million raw frames through a 20-rule envelope,
// beside three floors over the same bytes: a bare scan that only checks the sums,
// with the library's checksum (byte by byte, as the standard's own code has it) and
// with the scanner's, which takes sixteen bytes at a time; and the library's own
// reader, decoding the 21 messages that a guard can want.
func BenchmarkReplay(b *testing.B) {
	raw := rawFlight(b, speedFrames)
	env := twenty(b)
	report := func(b *testing.B, from time.Duration) {
		// On a machine that others use, too, only this time is the work's own.
		b.ReportMetric(float64(processorTime(b)-from)/float64(b.N)/speedFrames, "cpu-ns/frame")
		b.ReportMetric(float64(b.N)*speedFrames/b.Elapsed().Seconds()/1e6, "Mframes/s")
		b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/speedFrames*1e9, "ns/frame")
	}
	b.Run("replay", func(b *testing.B) {
		name := filepath.Join(b.TempDir(), "flight.bin")
		if err := os.WriteFile(name, raw, 0o644); err != nil {
			b.Fatal(err)
		}
		setup, _, err := Watching([]string{name}, env, nil)
		if err != nil {
			b.Fatal(err)
		}
		from := processorTime(b)
		b.ResetTimer()
		for b.Loop() {
			rec, err := recording.OpenReader(bytes.NewReader(raw))
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
