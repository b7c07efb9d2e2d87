package bench

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
	"github.com/google/go-cmp/cmp"

	"downhaul/interlock"
	"downhaul/interlock/derived"
	"downhaul/interlock/intake"
	"downhaul/interlock/recording"
	"downhaul/interlock/telemetry"
	"downhaul/rules"
)

// packed is a frame by the library, of version 1 where the id has a place there.
func packed(defs *dialect.ReadWriter, system, seq uint8, old bool, m message.Message) []byte {
	id := m.GetID()
	old = old && id < 256
	rw := defs.GetMessage(id)
	p := rw.Write(m, !old).Payload
	b := []byte{0xFD, byte(len(p)), 0, 0, seq, system, 1, byte(id), byte(id >> 8), byte(id >> 16)}
	if old {
		b = []byte{0xFE, byte(len(p)), seq, system, 1, byte(id)}
	}
	b = append(b, p...)
	x := x25.New()
	x.Write(b[1:])
	x.Write([]byte{rw.CRCExtra()})
	return binary.LittleEndian.AppendUint16(b, x.Sum16())
}

// motley is raw bytes of a craft that tells of everything, in both versions, with
// its radio, another craft, four controllers at a time, names of its own, numbers
// that are none, losses, junk, silences, restarts and a clock that comes round.
func motley(t *testing.T, rnd *rand.Rand) (out []byte) {
	t.Helper()
	defs := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := defs.Initialize(); err != nil {
		t.Fatal(err)
	}
	ms, seq := uint32(1<<32-1-rnd.IntN(40_000)), uint8(0)
	x := [8]float64{0.1, 0.1, 3, 0, 48, 0.4, 0, 0}
	for range 4000 {
		ms += uint32(rnd.IntN(25))
		k := rnd.IntN(len(x))
		x[k] += rnd.NormFloat64() * 0.02
		f := func(i int) float32 { return float32(x[i]) }
		if rnd.IntN(300) == 0 {
			x[rnd.IntN(2)] = []float64{math.NaN(), math.Copysign(0, -1), 0.7, 9, 0.1}[rnd.IntN(5)]
		} else if rnd.IntN(40) == 0 {
			x[0], x[1] = 0.1, 0.1
		}
		switch rnd.IntN(900) {
		case 0:
			ms = uint32(rnd.IntN(900))
		case 1, 2:
			ms += 9000
		case 3, 4, 5:
			seq += uint8(rnd.IntN(200))
		}
		told := ms
		if rnd.IntN(60) == 0 {
			told -= uint32(rnd.IntN(300))
		}
		system, own := uint8(1), true
		var m message.Message
		switch rnd.IntN(16) {
		case 0:
			m = &common.MessageHeartbeat{Type: 2, Autopilot: 3, BaseMode: common.MAV_MODE_FLAG(128 * (rnd.IntN(9) / 8)), SystemStatus: 4}
		case 1:
			m = &common.MessageExtendedSysState{LandedState: common.MAV_LANDED_STATE(rnd.IntN(6))}
		case 2, 3:
			m = &common.MessageGlobalPositionInt{TimeBootMs: told, RelativeAlt: int32(x[2] * 1000), Vz: int16(x[3] * 100)}
		case 4:
			m = &common.MessageServoOutputRaw{Servo1Raw: uint16(1000 + 500*x[5]), Servo2Raw: 1500, Servo3Raw: uint16(rnd.IntN(9) / 8 * 800), Servo9Raw: uint16(rnd.IntN(2) * 1200)}
		case 5:
			m = &common.MessageSysStatus{VoltageBattery: uint16(x[4] * 1000), CurrentBattery: int16(rnd.IntN(40) - 2), BatteryRemaining: 60}
		case 6:
			b := &common.MessageBatteryStatus{Id: uint8(rnd.IntN(3)), CurrentBattery: int16(rnd.IntN(40_000)), BatteryRemaining: 50, Temperature: 3000}
			for i := range b.Voltages {
				b.Voltages[i] = []uint16{4000, math.MaxUint16}[i/6]
			}
			m = b
		case 7:
			m = &common.MessageEscStatus{Index: uint8(4 * rnd.IntN(3)), Rpm: [4]int32{int32(rnd.IntN(90)), 1, 2, 3}, Voltage: [4]float32{48, 48, 48, 47}}
		case 8:
			m = &common.MessageNamedValueFloat{TimeBootMs: told, Name: []string{"told", "other"}[rnd.IntN(2)], Value: f(6)}
		case 9:
			m, system, own = &common.MessageRadioStatus{Rssi: uint8(rnd.IntN(256))}, 51, false
		case 10:
			if m = (&common.MessageVibration{VibrationX: f(7), Clipping_0: 1}); rnd.IntN(3) == 0 {
				system, own = 7, false
			}
		case 11:
			m = &common.MessageLocalPositionNed{TimeBootMs: told, X: f(6), Y: f(7), Z: -f(2), Vz: f(3)}
		default:
			m = &common.MessageAttitude{TimeBootMs: told, Roll: f(0), Pitch: f(1), Yaw: 1, Rollspeed: f(6)}
		}
		if own {
			seq++
		}
		b := packed(defs, system, seq, rnd.IntN(5) == 0, m)
		switch rnd.IntN(150) {
		case 0:
			b = append(b, b...)
		case 1:
			b = append([]byte("\xfd\x09\x00 junk \xfe\xfe"), b...)
		case 2:
			b[rnd.IntN(len(b))] ^= 4
		}
		out = append(out, b...)
	}
	return out
}

// motleySpans are where limits are set.
var motleySpans = map[rules.ChannelID][2]float64{
	rules.Roll: {-0.6, 0.6}, rules.Pitch: {-0.6, 0.6}, rules.Tilt: {0, 0.9}, rules.RollRate: {-0.8, 0.8}, rules.HeightGlobal: {1, 5}, rules.Height: {1, 5},
	rules.ClimbGlobal: {-1, 1}, rules.LinkAge: {0, 1}, rules.LinkLoss: {0, 0.3}, rules.SupplyVoltage: {47, 49}, rules.SupplyCurrent: {0, 0.4},
	rules.Pack1Voltage: {20, 26}, rules.Pack1Current: {0, 300}, rules.Motor1Output: {0, 1}, rules.Motor3Output: {-1, 1}, rules.MotorHighest: {0, 1}, rules.Motor1Speed: {0, 1.5},
	rules.ESCVoltage: {46, 48}, rules.RadioRSSI: {0, 255}, rules.Told1: {-1, 1}, rules.Vibration: {-1, 1}, rules.North: {-1, 1}, rules.Sway: {0, 2},
}

func motleyRules(rnd *rand.Rand, ids []rules.ChannelID) *rules.Envelope {
	env := &rules.Envelope{Title: "motley"}
	for i := range 1 + rnd.IntN(12) {
		id := ids[rnd.IntN(len(ids))]
		s := motleySpans[id]
		step := (s[1] - s[0]) / 8
		r := rules.Rule{Name: fmt.Sprint("r", i), Watch: id, Form: rules.Form(1 + rnd.IntN(3)), Limit: s[0] + float64(step*float64(rnd.IntN(9))), LimitHigh: s[1],
			Deadband: step / 2 * float64(rnd.IntN(2)), Lasting: time.Duration(rnd.IntN(2)*200) * time.Millisecond, StaleAfter: time.Duration(1+rnd.IntN(8)) * 400 * time.Millisecond,
			While: rules.Phase(rnd.IntN(3)), WhenMissing: rules.WhenMissing(rnd.IntN(2)), Stop: rules.Immediate, MissingStop: rules.Immediate}
		if rnd.IntN(3) == 0 && id != rules.LinkAge && id != rules.LinkLoss {
			r.FrozenAfter = 2 + rnd.IntN(5)
		}
		if rnd.IntN(2) == 0 {
			r.HasCaution, r.Caution, r.CautionHigh = true, r.Limit+step, r.LimitHigh-step
			if r.Form == rules.Above {
				r.Caution = r.Limit - step
			}
		}
		env.Rules = append(env.Rules, r)
	}
	return env
}

// motleySetup is a pad on which everything may be told.
func motleySetup(rnd *rand.Rand) Setup {
	site := interlock.DefaultSite()
	site.Duty = interlock.Watch
	for id := range site.Fed {
		if id := rules.ChannelID(id); id > 0 && !id.Channel().Derived {
			site.Fed[id] = rules.CraftSays
		}
	}
	site.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 5, Reaction: 300 * time.Millisecond, Motors: 3, Cells: 6}
	cfg := intake.Config{Craft: intake.Craft{System: 1, Component: 1}, Links: []intake.LinkConfig{{Stream: rnd.IntN(2) == 0}}}
	cfg.Fields.Motors, cfg.Fields.SupplyIsPack = rnd.IntN(13), rnd.IntN(2) == 0
	cfg.Fields.Named = []telemetry.Named{{Name: "told", Channel: rules.Told1, Scale: 1}}
	return Setup{Site: site, Intake: cfg}
}

// motleyChannels are the channels with spans, in the order of their numbers.
func motleyChannels() (ids []rules.ChannelID) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if _, ok := motleySpans[id]; ok {
			ids = append(ids, id)
		}
	}
	return ids
}

// TestLanesByFramesAreLanesByChunks takes several engines side by side through a
// motley recording, frame by frame and in chunks: each decides the same at the
// same instant, and in the end all that can be seen of them is the same, and of
// the intake and the link.
func TestLanesByFramesAreLanesByChunks(t *testing.T) {
	decisions := 0
	for seed := range uint64(30) {
		rnd := rand.New(rand.NewPCG(seed, 9))
		raw := motley(t, rnd)
		setup := motleySetup(rnd)
		var envelopes []*rules.Envelope
		for range 1 + rnd.IntN(3) {
			envelopes = append(envelopes, motleyRules(rnd, motleyChannels()))
		}
		run := func(options ...Option) (string, *pass, recording.Info) {
			p, err := newPass(setup, envelopes, options)
			if err != nil {
				t.Fatal(err)
			}
			var said strings.Builder
			for i, l := range p.lanes {
				l.watch = func(_ time.Duration, effects []interlock.Effect) {
					for _, f := range effects {
						fmt.Fprintf(&said, "%d %s\n", i, interlock.AppendDecision(nil, l.env, f))
					}
				}
			}
			rec, err := recording.OpenReader(bytes.NewReader(raw))
			if err != nil {
				t.Fatal(err)
			}
			if err := p.run("motley", rec); err != nil {
				t.Fatal(err)
			}
			return said.String(), p, rec.Info()
		}
		a, frames, infoA := run()
		b, chunks, infoB := run(Seeing(func(rules.ChannelID) bool { return false }, func(*intake.Chunk, []interlock.Input) {}))
		// Lanes take their turns within a frame or within a chunk: hold each by itself.
		for i := range frames.lanes {
			x, y := laneOf(a, i), laneOf(b, i)
			decisions += len(x)
			for k := range max(len(x), len(y)) {
				if k >= len(x) || k >= len(y) || x[k] != y[k] {
					t.Fatalf("seed %d, lane %d, decision %d of %d and %d:\n%s\n%s", seed, i, k, len(x), len(y), lineAt(x, k), lineAt(y, k))
				}
			}
			e, g := frames.lanes[i].engine, chunks.lanes[i].engine
			if string(e.AppendState(nil)) != string(g.AppendState(nil)) || e.Deadline() != g.Deadline() {
				t.Errorf("seed %d, lane %d: the images differ in the end", seed, i)
			}
			var v, w interlock.View
			e.View(&v)
			g.View(&w)
			if d := cmp.Diff(v, w); d != "" {
				t.Errorf("seed %d, lane %d: by frames (-), by chunks (+)\n%s", seed, i, d)
			}
			for k := range envelopes[i].Rules {
				h, hAt, ok := e.LeastHeadroom(k)
				if n, nAt, nok := g.LeastHeadroom(k); math.Float64bits(h) != math.Float64bits(n) || hAt != nAt || ok != nok {
					t.Errorf("seed %d, lane %d, rule %d: least headroom %v at %v by frames, %v at %v by chunks", seed, i, k, h, hAt, n, nAt)
				}
			}
		}
		infoB.Chunks = infoA.Chunks
		for _, d := range []string{cmp.Diff(frames.in.Counts(), chunks.in.Counts()), cmp.Diff(frames.health.link(), chunks.health.link()),
			cmp.Diff(frames.health.notes(), chunks.health.notes()), cmp.Diff(infoA, infoB), cmp.Diff(frames.end, chunks.end)} {
			if d != "" {
				t.Errorf("seed %d: by frames (-), by chunks (+)\n%s", seed, d)
			}
		}
	}
	if decisions < 3000 {
		t.Errorf("only %d decisions: little was tried", decisions)
	}
}

// laneOf is what one lane said.
func laneOf(said string, lane int) (out []string) {
	for line := range strings.Lines(said) {
		if strings.HasPrefix(line, fmt.Sprintf("%d ", lane)) {
			out = append(out, line)
		}
	}
	return out
}

func lineAt(lines []string, k int) string {
	if k < len(lines) {
		return lines[k]
	}
	return "nothing"
}
