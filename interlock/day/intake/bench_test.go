package intake

import (
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/interlock"
)

// BenchmarkTelemetry is one datagram with one frame of the craft, all channels
// wanted, and the same as a stream.
func BenchmarkTelemetry(b *testing.B) {
	for _, stream := range []bool{false, true} {
		name := "datagrams"
		if stream {
			name = "stream"
		}
		b.Run(name, func(b *testing.B) {
			f := feed(b, Config{Links: []LinkConfig{{Stream: stream}}})
			craft := sender{system: 1, component: 1}
			var frames [][]byte
			for i := range 30000 {
				switch i % 3 {
				case 0:
					frames = append(frames, craft.frame(attitude(uint32(i), 0.1)))
				case 1:
					frames = append(frames, craft.frame(&common.MessageGlobalPositionInt{TimeBootMs: uint32(i), RelativeAlt: 3000}))
				case 2:
					frames = append(frames, craft.frame(&common.MessageVfrHud{Alt: 30, Climb: 1}))
				}
			}
			dst := make([]interlock.Input, 0, 64)
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				dst = f.in.Append(dst[:0], &Chunk{At: time.Duration(n) * time.Millisecond, Source: Telemetry, From: addrA, Bytes: frames[n%len(frames)]})
				n++
			}
		})
	}
}

func BenchmarkWind(b *testing.B) {
	f := feed(b, Config{Anemometer: cupAnemometerA})
	dst := make([]interlock.Input, 0, 4)
	var bytes []byte
	edges := make([]WindEdge, 5)
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		for i := range edges {
			edges[i] = WindEdge{At: at + time.Duration(i+1)*50*ms, Rise: true}
		}
		at += 250 * ms
		bytes = AppendWindEdges(bytes[:0], edges)
		dst = f.in.Append(dst[:0], &Chunk{At: at, Source: Wind, Bytes: bytes})
	}
}
