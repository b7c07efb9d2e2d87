package intake

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"net/netip"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"downhaul/interlock"
	"downhaul/interlock/telemetry"
	"downhaul/rules"
)

// chanceConfig is a pad of chance: what is named, wanted, declared and where from.
func chanceConfig(rnd *rand.Rand) Config {
	cfg := Config{Craft: Craft{System: 1, Component: 1}, Links: []LinkConfig{{Stream: rnd.IntN(2) == 0}, {}}}
	if !cfg.Links[0].Stream && rnd.IntN(3) == 0 {
		cfg.Links[0].From = addrA
	}
	f := &cfg.Fields
	f.TensionFromWinch, f.SupplyIsPack = rnd.IntN(2) == 0, rnd.IntN(2) == 0
	f.Cells, f.Motors = rnd.IntN(15), rnd.IntN(17)
	if rnd.IntN(2) == 0 {
		f.Named = []telemetry.Named{{Name: "tight", Channel: rules.Told1, Scale: -2, Offset: 0.5}, {Name: "x", Channel: rules.Vibration, Scale: 1}}
	}
	for i := range f.OutputIdle {
		if rnd.IntN(3) == 0 {
			f.OutputIdle[i], f.OutputFull[i] = float64(1900*rnd.IntN(2)), float64(30+rnd.IntN(1800))
		}
	}
	if rnd.IntN(2) == 0 {
		f.Wanted = new([rules.ChannelCount]bool)
		for id := range f.Wanted {
			f.Wanted[id] = rnd.IntN(3) > 0
		}
	}
	return cfg
}

// chancePayload is bytes of any kind, most such that numbers come out of them,
// with zeros cut from its end as a sender may and bytes behind it that are new.
func chancePayload(rnd *rand.Rand, ms uint32) []byte {
	b := make([]byte, rnd.IntN(256))
	for i := 0; i+4 <= len(b); i += 4 {
		switch rnd.IntN(9) {
		case 0:
		case 1:
			binary.LittleEndian.PutUint32(b[i:], rnd.Uint32())
		case 2:
			binary.LittleEndian.PutUint32(b[i:], []uint32{1 << 31, 0xFFFFFFFF, 0x7FC00000, 0x7F800000, 0x40490FDB, 0x7FFF7FFF}[rnd.IntN(6)])
		case 3:
			binary.LittleEndian.PutUint32(b[i:], uint32(rnd.IntN(2200))<<16|uint32(rnd.IntN(2200)))
		case 4:
			copy(b[i:], "tight")
		default:
			binary.LittleEndian.PutUint32(b[i:], math.Float32bits(float32(rnd.NormFloat64())))
		}
	}
	if rnd.IntN(6) > 0 && len(b) >= 4 {
		binary.LittleEndian.PutUint32(b, ms)
	}
	if rnd.IntN(2) == 0 && len(b) > 20 { // where many messages have a selector or a count
		b[4+rnd.IntN(16)] = []byte{0, 1, 4, 8, 12, 25}[rnd.IntN(6)]
	}
	for rnd.IntN(2) == 0 && len(b) > 0 && b[len(b)-1] == 0 {
		b = b[:len(b)-1]
	}
	return b
}

// TestFrameIsAppendOfAnything gives every message that is known, and some that are
// not, any payload on a pad of chance, and now and then chunks of other links in
// between; a second intake goes on as the clone of itself.
func TestFrameIsAppendOfAnything(t *testing.T) {
	var ids []uint32
	for _, m := range common.Dialect.Messages {
		ids = append(ids, m.GetID())
	}
	often := []uint32{0, 1, 2, 30, 32, 33, 36, 74, 109, 125, 132, 141, 147, 230, 231, 241, 242, 245, 251, 253, 290, 291, 9005, 77777}
	plain, empty, values := 0, 0, 0
	for seed := range uint64(40) {
		rnd := rand.New(rand.NewPCG(seed, 6))
		cfg := chanceConfig(rnd)
		direct, chunks := mustNew(t, cfg), mustNew(t, cfg)
		ms, at, seq := uint32(1<<32-1-rnd.IntN(60_000)), time.Duration(0), uint8(0)
		for i := range 1500 {
			at += time.Duration(rnd.IntN(30)) * time.Millisecond
			ms += uint32(rnd.IntN(30))
			seq++
			f := telemetry.Frame{System: 1, Component: 1, Seq: seq, Version: uint8(2 - rnd.IntN(4)/3), ID: often[rnd.IntN(len(often))]}
			if rnd.IntN(4) == 0 {
				f.ID = ids[rnd.IntN(len(ids))]
			}
			told := ms
			switch rnd.IntN(100) {
			case 0:
				told -= uint32(rnd.IntN(2000))
			case 1:
				ms = uint32(rnd.IntN(4000))
			case 2:
				f.System, f.Component = uint8(1+rnd.IntN(60)), uint8(1+rnd.IntN(3))
			case 3:
				f.Seq += uint8(rnd.IntN(256))
				seq = f.Seq
			case 4:
				f.Seq -= uint8(rnd.IntN(4))
			case 5:
				at += time.Duration(rnd.IntN(14_000)) * time.Millisecond
			case 6:
				direct = direct.Clone()
			case 7:
				at += time.Duration(rnd.IntN(2)) * 3 * time.Second // long enough to lose its address
				c := Chunk{At: at, Link: uint8(rnd.IntN(2)), Source: Source(1 + rnd.IntN(5)), From: addrB, Lost: uint32(rnd.IntN(2)), Bytes: []byte("\xfe junk")}
				if rnd.IntN(2) == 0 { // the craft itself, from elsewhere
					from := &sender{system: 1, component: 1, seq: seq}
					c.Source, c.Bytes = Telemetry, from.frame(heartbeat())
				}
				if d := cmp.Diff(chunks.Append(nil, c), direct.Append(nil, c)); d != "" {
					t.Fatalf("seed %d, frame %d: a chunk in between: in chunks (-), by itself (+)\n%s", seed, i, d)
				}
			}
			f.Payload = chancePayload(rnd, told)
			one := f
			got, v := direct.Frame(nil, at, &one)
			if v != nil {
				plain++
				values += len(v.IDs)
				if len(v.IDs) == 0 {
					empty++
				}
				if len(got) > 0 {
					t.Fatalf("seed %d, frame %d: values, and inputs %v", seed, i, got)
				}
				for k, id := range v.IDs {
					if x := v.V[k]; !id.Plausible(x) || x == 0 && math.Signbit(x) {
						t.Fatalf("seed %d, frame %d: %v of %v is no value", seed, i, x, id)
					}
				}
				got = v.AppendInputs([]interlock.Input{{Kind: interlock.FrameInput, Seq: uint32(f.Seq)}}, 0)
			}
			want := chunks.Append(nil, Chunk{At: at, Source: Telemetry, Checked: []telemetry.Frame{f}})
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("seed %d, frame %d, %s of version %d: in a chunk (-), by itself (+)\n%s", seed, i, telemetry.MessageName(f.ID), f.Version, d)
			}
		}
		if d := cmp.Diff(chunks.Counts(), direct.Counts()); d != "" {
			t.Errorf("seed %d: counts: in chunks (-), by itself (+)\n%s", seed, d)
		}
		if d := cmp.Diff(chunks.Others(), direct.Others(), cmpopts.EquateComparable(netip.AddrPort{})); d != "" {
			t.Errorf("seed %d: others: in chunks (-), by itself (+)\n%s", seed, d)
		}
	}
	if plain < 5000 || empty == plain || values < 5000 {
		t.Errorf("only %d frames went the short way, %d of them with no value, %d values: little was tried", plain, empty, values)
	}
}

// TestCloneOfFrames: what a clone takes frame by frame is its own.
func TestCloneOfFrames(t *testing.T) {
	in := mustNew(t, Config{Craft: Craft{System: 1, Component: 1}, Links: []LinkConfig{{Stream: true}}})
	f := telemetry.Frame{System: 1, Component: 1, Version: 2, Payload: make([]byte, 9)}
	in.Frame(nil, 0, &f)
	c := in.Clone()
	for range 3 {
		f.Seq++
		c.Frame(nil, 0, &f)
	}
	if a, b := in.Counts().Links[0].Frames, c.Counts().Links[0].Frames; a != 1 || b != 4 {
		t.Errorf("%d frames of the first, want 1; %d of the clone, want 4", a, b)
	}
}
