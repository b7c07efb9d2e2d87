package bench

import (
	"bufio"
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"downhaul/interlock/craftmodel"
	"downhaul/interlock/recording"
	"downhaul/rules"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
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

// twentyRules is an envelope of 20 rules on 20 channels of that flight.
func twentyRules(b *testing.B) *rules.Envelope {
	b.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "twenty.toml"))
	if err != nil {
		b.Fatal(err)
	}
	env, faults := rules.ReadEnvelope("twenty.toml", text)
	if len(faults) > 0 {
		b.Fatal(faults)
	}
	return env
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

// BenchmarkReplay replays a million raw frames through a 20-rule envelope,
// beside the floor: the library's own reader over the same bytes, decoding the
// 21 messages that a guard can want.
func BenchmarkReplay(b *testing.B) {
	raw := rawFlight(b, speedFrames)
	env := twentyRules(b)
	report := func(b *testing.B) {
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
		report(b)
	})
	b.Run("library", func(b *testing.B) {
		table := &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: wantedMessages}}
		if err := table.Initialize(); err != nil {
			b.Fatal(err)
		}
		b.ResetTimer()
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
		report(b)
	})
}
