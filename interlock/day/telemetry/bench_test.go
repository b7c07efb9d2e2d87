package telemetry

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/minimal"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
)

const benchFrames = 1_000_000

// wantedMessages is the 21 messages that the library is asked to decode: those
// that the table reads, less the winch.
func wantedMessages() []message.Message {
	all := fedMessages()
	return all[:len(all)-1]
}

// benchRecording is a million frames of a craft in flight: eight messages that
// feed channels at their usual rates, and others between them.
var benchRecording = sync.OnceValue(func() []byte {
	r := rand.New(rand.NewPCG(11, 12))
	var b []byte
	seq := uint8(0)
	put := func(m message.Message) {
		rw := &message.ReadWriter{Message: m}
		if v, ok := codecs.Load(m.GetID()); ok {
			rw = v.(*message.ReadWriter)
		} else if err := rw.Initialize(); err != nil {
			panic(err)
		}
		codecs.Store(m.GetID(), rw)
		b = append(b, frameBytes(2, seq, 1, 1, m.GetID(), rw.Write(m, true).Payload, rw.CRCExtra(), false)...)
		seq++
	}
	f := func() float32 { return float32(r.NormFloat64()) }
	n := 0
	for ; n < 20000; n++ {
		ms := uint32(n * 5)
		switch n % 20 {
		case 0, 5, 10, 15:
			put(&common.MessageAttitude{TimeBootMs: ms, Roll: f() / 10, Pitch: f() / 10, Yaw: f() / 10, Rollspeed: f(), Pitchspeed: f(), Yawspeed: f()})
		case 1, 11:
			put(&common.MessageLocalPositionNed{TimeBootMs: ms, X: f(), Y: f(), Z: f() - 5, Vx: f(), Vy: f(), Vz: f()})
		case 2, 12:
			put(&common.MessageGlobalPositionInt{TimeBootMs: ms, Lat: r.Int32(), Lon: r.Int32(), RelativeAlt: 5000 + int32(r.IntN(100)), Vz: int16(r.IntN(100))})
		case 3, 13:
			put(&common.MessageServoOutputRaw{TimeUsec: ms * 1000, Servo1Raw: 1500, Servo2Raw: 1510, Servo3Raw: 1490, Servo4Raw: 1520})
		case 4:
			put(&common.MessageVfrHud{Alt: 300 + f(), Climb: f(), Throttle: 50, Heading: 90})
		case 6:
			put(&common.MessageSysStatus{VoltageBattery: 22000, CurrentBattery: 3000, BatteryRemaining: 80})
		case 7:
			put(&common.MessageBatteryStatus{Voltages: cells(3700, 3690, 3710, 3700, 3680, 3700), CurrentBattery: 3000, BatteryRemaining: 80, Temperature: 32767})
		case 8:
			put(&common.MessageVibration{TimeUsec: uint64(ms) * 1000, VibrationX: f() * f(), VibrationY: 1, VibrationZ: 2})
		case 9:
			put(&minimal.MessageHeartbeat{BaseMode: 0xD1, SystemStatus: 4, MavlinkVersion: 3})
		case 14, 16:
			put(&common.MessageRawImu{TimeUsec: uint64(ms) * 1000, Xacc: int16(r.IntN(1000)), Zacc: -1000})
		case 17:
			put(&common.MessageGpsRawInt{TimeUsec: uint64(ms) * 1000, Lat: r.Int32(), Lon: r.Int32()})
		case 18:
			put(&common.MessageEscStatus{TimeUsec: uint64(ms) * 1000, Rpm: [4]int32{3000, 3010, 2990, 3020}, Voltage: [4]float32{22, 22, 22, 22}, Current: [4]float32{7, 7, 7, 7}})
		case 19:
			put(&common.MessageExtendedSysState{LandedState: 2})
		}
	}
	return bytes.Repeat(b, benchFrames/n)
})

// BenchmarkMillionFrames reads a million frames from memory: this package's
// scanner and table beside the floor, which is the protocol library's own
// reader asked for 21 messages.
func BenchmarkMillionFrames(b *testing.B) {
	data := benchRecording()
	run := func(name string, read func(b *testing.B) int) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				if n := read(b); n != benchFrames {
					b.Fatalf("%d frames, want %d", n, benchFrames)
				}
			}
			perSecond := benchFrames * float64(b.N) / b.Elapsed().Seconds()
			b.ReportMetric(perSecond/1e6, "Mframes/s")
			b.ReportMetric(1e9/perSecond, "ns/frame")
		})
	}
	run("scan", func(*testing.B) int {
		var s Scanner
		n := 0
		for rest := data; ; n++ {
			_, used, ok := s.Next(rest)
			rest = rest[used:]
			if !ok {
				return n
			}
		}
	})
	run("scan and fields", func(b *testing.B) int {
		x := mustFields(b, FieldsConfig{})
		var s Scanner
		dst := make([]interlock.Input, 0, 64)
		n := 0
		for rest := data; ; n++ {
			f, used, ok := s.Next(rest)
			rest = rest[used:]
			if !ok {
				return n
			}
			dst = x.Append(dst[:0], &f)
		}
	})
	run("stream of 512 bytes and fields", func(b *testing.B) int {
		x := mustFields(b, FieldsConfig{})
		var s Stream
		dst := make([]interlock.Input, 0, 64)
		n := 0
		for at := 0; at < len(data); at += 512 {
			s.Feed(data[at:min(at+512, len(data))])
			for f, ok := s.Next(); ok; f, ok = s.Next() {
				dst = x.Append(dst[:0], &f)
				n++
			}
		}
		return n
	})
	run("library, 21 messages", func(b *testing.B) int {
		rw := &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: wantedMessages()}}
		if err := rw.Initialize(); err != nil {
			b.Fatal(err)
		}
		r := &frame.Reader{BufByteReader: bufio.NewReaderSize(bytes.NewReader(data), 512), DialectRW: rw}
		if err := r.Initialize(); err != nil {
			b.Fatal(err)
		}
		for n := 0; ; n++ {
			if _, err := r.Read(); err != nil {
				if errors.Is(err, io.EOF) {
					return n
				}
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkFields is the table alone, over a typical mix.
func BenchmarkFields(b *testing.B) {
	x := mustFields(b, FieldsConfig{})
	var frames []Frame
	var s Scanner
	for rest := benchRecording(); len(frames) < 2000; {
		f, used, _ := s.Next(rest)
		rest = rest[used:]
		frames = append(frames, f)
	}
	dst := make([]interlock.Input, 0, 64)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		dst = x.Append(dst[:0], &frames[i])
		if i++; i == len(frames) {
			i = 0
		}
	}
}
