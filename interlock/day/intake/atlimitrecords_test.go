package intake

import (
	"math"
	"testing"

	"downhaul/interlock"
	"downhaul/rules"
)

// Records end where their channels and flags end.
func TestRecordsAtTheirBorders(t *testing.T) {
	host := EncodeHost(nil, HostMessage{Host: interlock.HostSensor, On: true, Seq: 1<<32 - 1, Channel: rules.ChannelCount - 1})
	if m, ok := DecodeHost(host); !ok || m.Channel != rules.ChannelCount-1 || m.Seq != 1<<32-1 || !m.On {
		t.Errorf("%+v, %v", m, ok)
	}
	for i, b := range []byte{0xFF, 2} {
		bad := append([]byte(nil), host...)
		bad[i] = b
		if m, ok := DecodeHost(bad); ok || m != (HostMessage{}) {
			t.Errorf("byte %d of %d: %+v, %v", i, b, m, ok)
		}
	}
	if m, ok := DecodeHost(EncodeHost(nil, HostMessage{Host: interlock.HostSensor, Channel: rules.ChannelCount})); ok {
		t.Errorf("past the channels: %+v", m)
	}
	if m, ok := DecodeHost(host[:hostSize-1]); ok {
		t.Errorf("a byte too few: %+v", m)
	}
	pins := AppendPins(nil, 1<<31|1, false)
	if l, failed, ok := DecodePins(pins); l != 1<<31|1 || failed || !ok {
		t.Errorf("%b, %v, %v", l, failed, ok)
	}
	if b := AppendPins(nil, 1<<5|1, true); string(b) != "\x01\x00\x00\x00\x00" {
		t.Errorf("lines that could not be read are %v: no level of theirs may stand there", b)
	}
	for _, b := range [][]byte{pins[:4], append(pins, 0), {2, 0, 0, 0, 0}} {
		if l, failed, ok := DecodePins(b); l != 0 || failed || ok {
			t.Errorf("%v: %b, %v, %v", b, l, failed, ok)
		}
	}
	count := AppendCounts(nil, []Count{{At: 5, Value: -7, Failed: true}})
	if c, ok := decodeCount(count); !ok || c != (Count{5, -7, true}) {
		t.Errorf("%+v, %v", c, ok)
	}
	count[12] = 2
	if c, ok := decodeCount(count); ok || c != (Count{}) {
		t.Errorf("a flag of 2: %+v", c)
	}
	edge := AppendWindEdges(nil, []WindEdge{{At: 9, Rise: true, Failed: true, Lost: 3}})
	if e, ok := DecodeWindEdge(edge); !ok || e != (WindEdge{9, true, true, 3}) {
		t.Errorf("%+v, %v", e, ok)
	}
	cell := LoadCellConfig{Fitted: true, NewtonsPerCount: 0.01}
	for v, want := range map[int32]rules.Cause{countLow: rules.Saturated, countLow + 1: rules.NoCause, countHigh: rules.Saturated, countHigh - 1: rules.NoCause, -1: rules.Saturated, -2: rules.NoCause, 0: rules.NoCause} {
		if got := cell.tension(Count{Value: v}); got.Cause != want {
			t.Errorf("count %d: %+v", v, got)
		}
	}
	c := rules.Tension.Channel()
	for v, want := range map[float64]rules.Cause{c.Low: rules.NoCause, c.High: rules.NoCause, math.Nextafter(c.Low, -1e99): rules.Implausible, math.Nextafter(c.High, 1e99): rules.Implausible, math.Copysign(0, -1): rules.NoCause} {
		got := measured(rules.Tension, v)
		if got.Cause != want || want == rules.NoCause && (got.Value != v || math.Signbit(got.Value) != (v < 0)) {
			t.Errorf("%v N: %+v", v, got)
		}
	}
	for _, c := range []struct{ q, want rules.Quality }{{rules.Good, rules.Doubtful}, {rules.Doubtful, rules.Doubtful}, {rules.Missing, rules.Missing}} {
		s := interlock.Sample{Quality: c.q, Cause: rules.Stale}
		if got := doubt(s, rules.Disagreement); got.Quality != c.want || (got.Cause == rules.Disagreement) != (c.q == rules.Good) {
			t.Errorf("%+v in doubt is %+v", s, got)
		}
		if got := doubt(s, rules.NoCause); got != s {
			t.Errorf("%+v with no cause to doubt is %+v", s, got)
		}
	}
}
