package intake

import (
	"math"
	"math/rand/v2"
	"net/netip"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"downhaul/interlock"
	"downhaul/interlock/telemetry"
)

// TestFrameIsAppend takes frames of a craft, its radio and somebody else, some
// repeated, late or of a craft that started again, with numbers that are not there,
// not numbers or not plausible, one by one by Frame and in chunks by Append.
func TestFrameIsAppend(t *testing.T) {
	cfg := Config{Craft: Craft{System: 1, Component: 1}, Links: []LinkConfig{{Stream: true}}}
	cfg.Fields.Motors = 8
	direct, chunks := mustNew(t, cfg), mustNew(t, cfg)
	rnd := rand.New(rand.NewPCG(3, 4))
	craft, v1, other, radio := &sender{system: 1, component: 1}, &sender{system: 1, component: 1, v1: true}, &sender{system: 7, component: 1}, &sender{system: 51, component: 68}
	ms, at, plain := uint32(1000), time.Duration(0), 0
	var scan telemetry.Scanner
	for i := range 30_000 {
		at += time.Duration(rnd.IntN(40)) * time.Millisecond
		ms += uint32(rnd.IntN(40))
		from, roll := craft, float32(rnd.NormFloat64()/4)
		switch rnd.IntN(60) {
		case 0:
			ms -= min(ms, 500)
		case 1:
			ms /= 2
		case 2:
			from = other
		case 3:
			from = v1
			v1.seq = craft.seq
		case 4:
			roll = float32(math.NaN())
		case 5:
			roll = 9
		case 6:
			craft.seq += uint8(rnd.IntN(200))
		}
		var m message.Message
		switch rnd.IntN(9) {
		case 0:
			m = heartbeat()
		case 1:
			from = craft // its id has no place in version 1
			m = &common.MessageEscStatus{Index: uint8(4 * rnd.IntN(3)), Rpm: [4]int32{int32(rnd.IntN(9000)), 1, 2, 3}, Voltage: [4]float32{48, 48, 48, 47}}
		case 2:
			m, from = &common.MessageRadioStatus{Rssi: uint8(rnd.IntN(256))}, radio
		case 3:
			m = &common.MessageServoOutputRaw{Servo1Raw: uint16(rnd.IntN(3) * 800), Servo2Raw: 1500}
		case 4:
			m = &common.MessageSysStatus{VoltageBattery: uint16(rnd.Uint32()), CurrentBattery: int16(rnd.Uint32())}
		case 5:
			m = &common.MessageGlobalPositionInt{TimeBootMs: ms, RelativeAlt: int32(rnd.IntN(9000)), Vz: 3}
		default:
			m = attitude(ms, roll)
		}
		var f telemetry.Frame
		b := from.frame(m)
		if _, ok := scan.NextInto(&f, b, true); !ok {
			t.Fatal("no frame")
		}
		got, v := direct.Frame(nil, at, &f)
		if v != nil {
			plain++
			if len(got) > 0 {
				t.Fatalf("frame %d: values, and inputs %v", i, got)
			}
			got = v.AppendInputs([]interlock.Input{{Kind: interlock.FrameInput, Seq: uint32(f.Seq)}}, 0)
		}
		want := chunks.Append(nil, Chunk{At: at, Source: Telemetry, Bytes: b, Checked: []telemetry.Frame{f}})
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("frame %d, %s: in a chunk (-), by itself (+)\n%s", i, telemetry.MessageName(f.ID), d)
		}
	}
	if d := cmp.Diff(chunks.Counts(), direct.Counts()); d != "" {
		t.Errorf("counts: in chunks (-), by itself (+)\n%s", d)
	}
	if d := cmp.Diff(chunks.Others(), direct.Others(), cmpopts.EquateComparable(netip.AddrPort{})); d != "" {
		t.Errorf("others: in chunks (-), by itself (+)\n%s", d)
	}
	if plain < 5000 {
		t.Errorf("only %d frames went the short way", plain)
	}
	// A pad without a link hears nobody.
	cfg.Links = nil
	if in, err := New(cfg); err == nil {
		var f telemetry.Frame
		scan.NextInto(&f, craft.frame(attitude(1, 0)), true)
		if got, v := in.Frame(nil, 0, &f); len(got) > 0 || v != nil || in.Counts().BadRecords != 1 {
			t.Errorf("without a link: %v, %v, %+v", got, v, in.Counts())
		}
	}
}

func mustNew(t *testing.T, cfg Config) *Intake {
	t.Helper()
	in, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return in
}
