package intake

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/interlock"
)

// A stream split at any byte gives the same inputs.
func TestStreamSplitAnywhereGivesTheSame(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	craft, other := sender{system: 1, component: 1}, sender{system: 9, component: 1, v1: true}
	var all []byte
	for i := range 60 {
		all = append(all, craft.frame(attitude(uint32(i*100), float32(i)/100))...)
		if i%3 == 0 {
			all = append(all, other.frame(heartbeat())...)
		}
		if i%5 == 0 {
			for range r.IntN(40) {
				all = append(all, []byte{0xFD, 0xFE, byte(r.Uint32())}[r.IntN(3)])
			}
		}
		if i%7 == 0 {
			all = append(all, craft.frame(heartbeat())[:8+r.IntN(10)]...) // cut off
		}
	}
	play := func(cut func(left int) int) ([]interlock.Input, Counts) {
		f := feed(t, Config{Links: []LinkConfig{{Stream: true}}})
		var got []interlock.Input
		for b := all; len(b) > 0; {
			n := cut(len(b))
			got = append(got, f.chunk(Chunk{At: time.Second, Source: Telemetry, Bytes: bytes.Clone(b[:n])})...)
			b = b[n:]
		}
		return got, f.in.Counts()
	}
	whole, counts := play(func(left int) int { return left })
	if has(whole, interlock.FrameInput) < 55 {
		t.Fatalf("only %d frames in the whole stream", has(whole, interlock.FrameInput))
	}
	compare := func(what string, got []interlock.Input, n Counts) {
		t.Helper()
		if len(got) != len(whole) {
			t.Fatalf("%s: %d inputs, want %d", what, len(got), len(whole))
		}
		for i := range got {
			if got[i] != whole[i] {
				t.Fatalf("%s: input %d is %+v, want %+v", what, i, got[i], whole[i])
			}
		}
		if n.Links[0] != counts.Links[0] {
			t.Fatalf("%s: counts %+v, want %+v", what, n.Links[0], counts.Links[0])
		}
	}
	got, n := play(func(int) int { return 1 })
	compare("byte by byte", got, n)
	for at := 1; at < len(all); at += 3 {
		first := true
		got, n := play(func(left int) int {
			if first {
				first = false
				return at
			}
			return left
		})
		compare("split in two", got, n)
	}
	for range 100 {
		got, n := play(func(left int) int { return 1 + r.IntN(min(left, 300)) })
		compare("split at random", got, n)
	}
}

func TestGapInAStreamFinishesNothing(t *testing.T) {
	f := feed(t, Config{Links: []LinkConfig{{Stream: true}}})
	craft := sender{system: 1, component: 1}
	b := craft.frame(attitude(1, 0))
	f.chunk(Chunk{Source: Telemetry, Bytes: b[:20]})
	got := f.chunk(Chunk{Source: Telemetry, Lost: 3, Bytes: b[20:]})
	if len(got) != 1 || got[0].Host != interlock.HostLost || got[0].Seq != 3 {
		t.Errorf("behind a gap: %+v, want only that 3 chunks were lost", got)
	}
	f.datagram(0, addrA)
	if got := f.chunk(Chunk{Source: Telemetry, Bytes: craft.frame(attitude(2, 0))}); has(got, interlock.FrameInput) != 1 {
		t.Errorf("after the gap: %+v", got)
	}
}

// 10 MB of noise holds about 78,000 start bytes (10e6/128). A version 1 start
// passes if its id is known (at most 1 in 1), its length is that message's (1 in
// 256) and its checksum fits (1 in 65,536): at most 39,000/256/65,536 = 0.0023
// frames of any sender; version 2 has 24-bit ids and adds next to nothing. One
// in 65,025 of those would name the craft, 4e-8 for this test. Any sender at
// all would fail it here, so the seed matters; it is the first one tried.
func TestNoiseGivesNothing(t *testing.T) {
	for _, stream := range []bool{true, false} {
		f := feed(t, Config{Links: []LinkConfig{{Stream: stream}}})
		r := rand.NewChaCha8([32]byte{5})
		buf := make([]byte, 1000)
		var dst []interlock.Input
		for n := 0; n < 10_000_000; n += len(buf) {
			r.Read(buf)
			dst = f.in.Append(dst, &Chunk{At: time.Duration(n) * ms, Source: Telemetry, From: addrA, Bytes: buf})
		}
		n := f.in.Counts().Links[0]
		if len(dst) != 0 || n.Frames != 0 || n.Others != 0 {
			t.Errorf("stream %v: noise gave %d inputs, counts %+v", stream, len(dst), n)
		}
		if n.BadBytes < 10_000_000-300 || n.BadBytes > 10_000_000 {
			t.Errorf("stream %v: %d bad bytes", stream, n.BadBytes)
		}
		// It is not deaf afterwards.
		craft := sender{system: 1, component: 1}
		if got := f.datagram(time.Hour, addrA, craft.frame(heartbeat()), make([]byte, 300)); has(got, interlock.FrameInput) != 1 {
			t.Errorf("stream %v: after the noise: %+v", stream, got)
		}
	}
}

func TestAppendDoesNotAllocate(t *testing.T) {
	f := feed(t, Config{})
	craft, other := sender{system: 1, component: 1}, sender{system: 7, component: 1}
	dst := make([]interlock.Input, 0, 256)
	at := time.Duration(0)
	var chunks [][]byte
	for i := range 300 {
		c := craft.frame(attitude(uint32(i), 0))
		c = append(c, craft.frame(&common.MessageGlobalPositionInt{TimeBootMs: uint32(i)})...)
		chunks = append(chunks, append(c, other.frame(heartbeat())...))
	}
	n := 0
	allocs := testing.AllocsPerRun(250, func() {
		at += 100 * ms
		dst = f.in.Append(dst[:0], &Chunk{At: at, Source: Telemetry, From: addrA, Bytes: chunks[n]})
		if has(dst, interlock.FrameInput) != 2 {
			t.Fatal("frames were not taken")
		}
		n++
	})
	if allocs != 0 {
		t.Errorf("%v allocations for a telemetry chunk, want 0", allocs)
	}
}
