package intake

import (
	"bytes"
	"math"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/interlock"
	"downhaul/rules"
)

// signed24 extends the sign of a 24-bit two's complement word: raw − 0x1000000
// if bit 23 is set (HX711 datasheet; common practice).
func signed24(raw uint32) int32 {
	if raw&0x800000 != 0 {
		return int32(raw) - 0x1000000
	}
	return int32(raw)
}

func TestLoadCell(t *testing.T) {
	plain := LoadCellConfig{Fitted: true, NewtonsPerCount: 0.5}
	tared := LoadCellConfig{Fitted: true, Zero: 1000, NewtonsPerCount: -0.25, Low: -8000, High: 8000}
	for _, c := range []struct {
		cfg   LoadCellConfig
		raw   uint32 // as the converter shifts it out
		want  float64
		cause rules.Cause
	}{
		{plain, 0x000000, 0, rules.NoCause},
		{plain, 0x000001, 0.5, rules.NoCause},
		{plain, 0x000FFF, 2047.5, rules.NoCause},
		{plain, 0xFFFFFE, -1, rules.NoCause},
		{plain, 0xFFF000, -2048, rules.NoCause},
		{plain, 0x7FFFFE, 0, rules.Implausible}, // 4.19 MN is past the channel's range
		{plain, 0x800001, 0, rules.Implausible},
		// Ends of the range: 7FFFFFh and 800000h (HX711 datasheet, p. 4). All
		// ones: data line held high (common practice, no source).
		{plain, 0x7FFFFF, 0, rules.Saturated},
		{plain, 0x800000, 0, rules.Saturated},
		{plain, 0xFFFFFF, 0, rules.Saturated},
		{tared, 1000, 0, rules.NoCause},
		{tared, 0, 250, rules.NoCause},
		{tared, 7999, -1749.75, rules.NoCause},
		{tared, 8000, 0, rules.Saturated},
		{tared, 9000, 0, rules.Saturated},
		{tared, 0x1000000 - 7999, 2249.75, rules.NoCause},
		{tared, 0x1000000 - 8000, 0, rules.Saturated},
	} {
		f := feed(t, Config{LoadCell: c.cfg})
		got := f.chunk(Chunk{Source: LoadCell, Bytes: AppendCounts(nil, []Count{{At: 1, Value: signed24(c.raw)}})})
		want := interlock.Sample{Channel: rules.Tension, Quality: rules.Good, Value: c.want}
		if c.cause != rules.NoCause {
			want = interlock.Sample{Channel: rules.Tension, Cause: c.cause}
		}
		if len(got) != 1 || got[0] != sampleInput(want) || math.Signbit(got[0].Sample.Value) != (c.want < 0) {
			t.Errorf("%#06x with %+v: %+v, want %+v", c.raw, c.cfg, got, want)
		}
	}
}

func TestLoadCellChunk(t *testing.T) {
	f := feed(t, Config{LoadCell: LoadCellConfig{Fitted: true, NewtonsPerCount: 1}})
	b := AppendCounts(nil, []Count{{At: 1, Value: 10}, {At: 2, Failed: true}, {At: 3, Value: math.MinInt32}, {At: 4, Value: math.MaxInt32}, {At: 5, Value: 20}})
	got := f.chunk(Chunk{Source: LoadCell, Bytes: b})
	want := []interlock.Sample{
		{Channel: rules.Tension, Quality: rules.Good, Value: 10}, missing(rules.Tension, rules.SensorFailed),
		missing(rules.Tension, rules.Saturated), missing(rules.Tension, rules.Saturated),
		{Channel: rules.Tension, Quality: rules.Good, Value: 20},
	}
	for i := range want {
		if got[i] != sampleInput(want[i]) {
			t.Errorf("record %d: %+v, want %+v", i, got[i].Sample, want[i])
		}
	}
	got = f.chunk(Chunk{Source: LoadCell, Bytes: b[:CountSize+3]})
	if len(got) != 2 || got[1].Sample != missing(rules.Tension, rules.SensorFailed) {
		t.Errorf("a cut record: %+v, want its sample missing", got)
	}
	if n := f.in.Counts(); n.FailedReads != 1 || n.BadRecords != 1 {
		t.Errorf("counts %+v", n)
	}
	if got := feed(t, Config{}).chunk(Chunk{Source: LoadCell, Bytes: b}); len(got) != 0 {
		t.Errorf("a pad without a load cell gave %+v", got)
	}
}

func TestPins(t *testing.T) {
	var lines [interlock.LineCount]LineConfig
	for l := range lines {
		lines[l].Fitted = true
	}
	lines[interlock.Hold].Fitted = false
	lines[interlock.Gate].Invert = true
	f := feed(t, Config{Lines: lines})
	got := f.chunk(Chunk{Source: Pins, Bytes: AppendPins(nil, 1<<interlock.EStopA|1<<interlock.Start|1<<interlock.Hold|1<<31, false)})
	on := interlock.LineInput
	want := []interlock.Input{
		{Kind: on, Line: interlock.EStopA, On: true}, {Kind: on, Line: interlock.EStopB},
		{Kind: on, Line: interlock.Readback}, {Kind: on, Line: interlock.Gate, On: true},
		{Kind: on, Line: interlock.End}, {Kind: on, Line: interlock.Reset}, {Kind: on, Line: interlock.Start, On: true},
	}
	if len(got) != len(want) {
		t.Fatalf("%+v, want %+v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("input %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	// Every line, each level, alone.
	for l := range interlock.LineCount {
		for _, in := range f.chunk(Chunk{Source: Pins, Bytes: AppendPins(nil, 1<<l, false)}) {
			if want := (in.Line == l) != lines[in.Line].Invert; in.On != want {
				t.Errorf("only %v high: %v is %v", l, in.Line, in.On)
			}
		}
	}
}

// A failed read is never a level.
func TestFailedOrDamagedPinsGiveNothing(t *testing.T) {
	var lines [interlock.LineCount]LineConfig
	for l := range lines {
		lines[l].Fitted = true
	}
	f := feed(t, Config{Lines: lines})
	for i, b := range [][]byte{AppendPins(nil, 0xFF, true), {}, {0}, {0, 1, 0, 0}, {2, 1, 0, 0, 0}, {0, 1, 0, 0, 0, 0}} {
		if got := f.chunk(Chunk{Source: Pins, Bytes: b}); len(got) != 0 {
			t.Errorf("pins % X gave %+v", b, got)
		}
		if n := f.in.Counts(); n.FailedReads != 1 || n.BadRecords != uint64(i) {
			t.Errorf("pins % X: counts %+v", b, n)
		}
	}
}

func TestHostRoundTrip(t *testing.T) {
	f := feed(t, Config{})
	for h := interlock.HostKept; h.Known(); h++ {
		m := HostMessage{Host: h, On: h%2 == 0, Seq: 0xA1B2C3D4 + uint32(h), Channel: rules.ChannelID(h), Text: "look — here"}
		b := EncodeHost(nil, m)
		if got, ok := DecodeHost(b); !ok || got != m {
			t.Errorf("%+v came back as %+v %v", m, got, ok)
		}
		got := f.chunk(Chunk{Source: HostEvent, Bytes: b})
		want := interlock.Input{Kind: interlock.HostInput, Host: h, On: m.On, Seq: m.Seq, Sample: interlock.Sample{Channel: m.Channel}}
		if len(got) != 1 || got[0] != want {
			t.Errorf("%+v gave %+v, want %+v", m, got, want)
		}
	}
	good := EncodeHost(nil, HostMessage{Host: interlock.HostMark, Text: "\xFF"})
	if m, ok := DecodeHost(good); !ok || m.Text != "\uFFFD" {
		t.Errorf("a text that is not UTF-8 came back as %+v %v", m, ok)
	}
	unknown := interlock.HostKept
	for unknown.Known() {
		unknown++
	}
	for _, b := range [][]byte{
		nil, good[:7], {0, 0, 0, 0, 0, 0, 0, 0}, {byte(unknown), 0, 0, 0, 0, 0, 0, 0},
		{1, 2, 0, 0, 0, 0, 0, 0}, {1, 0, 0, 0, 0, 0, 0xFF, 0xFF},
	} {
		if got := f.chunk(Chunk{Source: HostEvent, Bytes: b}); len(got) != 0 {
			t.Errorf("host % X gave %+v", b, got)
		}
		if m, ok := DecodeHost(b); ok {
			t.Errorf("host % X was read as %+v", b, m)
		}
	}
	if n := f.in.Counts().BadRecords; n != 6 {
		t.Errorf("%d bad records counted, want 6", n)
	}
}

func TestLostChunksAreToldFirst(t *testing.T) {
	f := feed(t, Config{Lines: [interlock.LineCount]LineConfig{{Fitted: true}}})
	for _, s := range []Source{Telemetry, Wind, LoadCell, Pins, HostEvent, 99} {
		got := f.chunk(Chunk{Source: s, Lost: 12, Bytes: AppendPins(nil, 0, false)})
		if len(got) == 0 || got[0].Kind != interlock.HostInput || got[0].Host != interlock.HostLost || got[0].Seq != 12 {
			t.Errorf("source %d: %+v", s, got)
		}
	}
	// What was decided is never an input.
	if got := f.chunk(Chunk{Source: Decisions, Lost: 12, Bytes: EncodeHost(nil, HostMessage{Host: interlock.HostEnd})}); len(got) != 0 {
		t.Errorf("decisions gave %+v", got)
	}
	if n := f.in.Counts().LostChunks; n != 72 {
		t.Errorf("%d lost chunks counted, want 72", n)
	}
}

// sealed is a frame of the craft with any payload and a right checksum.
func sealed(id uint32, payload []byte) []byte {
	rw := definitions.GetMessage(id)
	if rw == nil {
		return nil
	}
	payload = payload[:min(len(payload), 255)]
	b := []byte{0xFD, byte(len(payload)), 0, 0, 3, 1, 1, byte(id), byte(id >> 8), 0}
	b = append(b, payload...)
	h := x25.New()
	h.Write(append(b[1:len(b):len(b)], rw.CRCExtra()))
	return append(b, byte(h.Sum16()), byte(h.Sum16()>>8))
}

func FuzzIntake(f *testing.F) {
	craft := sender{system: 1, component: 1}
	var frames []byte
	for i := range 4 {
		frames = append(frames, craft.frame(attitude(uint32(i*700), float32(math.NaN())))...)
		frames = append(frames, craft.frame(heartbeat())...)
	}
	f.Add(uint8(Telemetry), uint8(0), int64(time.Second), uint32(0), frames)
	f.Add(uint8(Telemetry), uint8(1), int64(time.Second), uint32(1), frames)
	f.Add(uint8(Telemetry), uint8(0), int64(time.Second), uint32(0), append([]byte{30, 0, 9, 9, 9, 9}, bytes.Repeat([]byte{0, 0, 0xC0, 0x7F}, 6)...))
	f.Add(uint8(Wind), uint8(0), int64(time.Second), uint32(0), AppendWindEdges(nil, []WindEdge{{At: 1e8, Rise: true}, {At: 2e8, Rise: true}, {At: 3e8, Lost: 2}}))
	f.Add(uint8(LoadCell), uint8(0), int64(5), uint32(0), AppendCounts(nil, []Count{{Value: 5}, {Failed: true}}))
	f.Add(uint8(Pins), uint8(0), int64(5), uint32(0), AppendPins(nil, 0xFF, false))
	f.Add(uint8(HostEvent), uint8(0), int64(5), uint32(9), EncodeHost(nil, HostMessage{Host: interlock.HostMark, Text: "x"}))
	f.Fuzz(func(t *testing.T, source, link uint8, at int64, lost uint32, b []byte) {
		cfg := Config{
			Links:      []LinkConfig{{}, {Stream: true}},
			Anemometer: cupAnemometerA,
			LoadCell:   LoadCellConfig{Fitted: true, Zero: 7, NewtonsPerCount: 0.3},
		}
		for l := range cfg.Lines {
			cfg.Lines[l] = LineConfig{Fitted: true, Invert: l%2 == 1}
		}
		in := feed(t, cfg)
		if Source(source) == Telemetry && len(b) > 2 {
			b = append(b, sealed(uint32(b[0])|uint32(b[1]&1)<<8, b[2:])...)
		}
		// Three times, the middle one at a time that may run back: what was
		// kept of the first must not make a later one panic.
		for _, at := range []int64{at, at / 3, at} {
			for _, x := range in.chunk(Chunk{At: time.Duration(at), Source: Source(source), Link: link, Lost: lost, From: addrA, Bytes: b}) {
				s := x.Sample
				ok := x.Kind == interlock.SampleInput && s.Channel > rules.NoChannel && s.Channel < rules.ChannelCount && s.Quality <= rules.Good ||
					x.Kind == interlock.LineInput && x.Line < interlock.LineCount ||
					x.Kind == interlock.FrameInput && x.Seq < 256 ||
					x.Kind == interlock.HostInput && x.Host.Known()
				if !ok || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || (s.Value == 0 && math.Signbit(s.Value)) {
					t.Errorf("input %+v", x)
				}
				if c := s.Channel.Channel(); s.Quality != rules.Missing && (s.Value < c.Low || s.Value > c.High) {
					t.Errorf("sample %+v is outside %v to %v", s, c.Low, c.High)
				}
				if (s.Quality == rules.Good) != (s.Cause == rules.NoCause) && x.Kind == interlock.SampleInput {
					t.Errorf("sample %+v: a good one has no cause, any other has one", s)
				}
			}
		}
	})
}
