package telemetry

import (
	"math"
	"reflect"
	"sync"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
	"pgregory.net/rapid"
)

// fedMessages is one of each message that the table reads.
func fedMessages() []message.Message {
	return []message.Message{
		&common.MessageHeartbeat{}, &common.MessageSysStatus{}, &common.MessageSystemTime{},
		&common.MessageAttitude{}, &common.MessageLocalPositionNed{}, &common.MessageGlobalPositionInt{},
		&common.MessageServoOutputRaw{}, &common.MessageVfrHud{}, &common.MessageRadioStatus{},
		&common.MessageDistanceSensor{}, &common.MessageAltitude{}, &common.MessageBatteryStatus{},
		&common.MessageEstimatorStatus{}, &common.MessageWindCov{}, &common.MessageVibration{},
		&common.MessageHomePosition{}, &common.MessageExtendedSysState{}, &common.MessageNamedValueFloat{},
		&common.MessageStatustext{}, &common.MessageEscInfo{}, &common.MessageEscStatus{},
		&common.MessageWinchStatus{},
	}
}

var codecs sync.Map // of *message.ReadWriter by message id

// codec is the library's own reader and writer of one message.
func codec(t testing.TB, m message.Message) *message.ReadWriter {
	t.Helper()
	if rw, ok := codecs.Load(m.GetID()); ok {
		return rw.(*message.ReadWriter)
	}
	rw := &message.ReadWriter{Message: m}
	if err := rw.Initialize(); err != nil {
		t.Fatal(err)
	}
	codecs.Store(m.GetID(), rw)
	return rw
}

// payloadOf encodes a message with the library.
func payloadOf(t testing.TB, m message.Message, version uint8) []byte {
	t.Helper()
	return codec(t, m).Write(m, version == 2).Payload
}

// bareFrame is a checked frame as the scanner would give it.
func bareFrame(t testing.TB, m message.Message, version uint8) *Frame {
	t.Helper()
	return (&Frame{System: 1, Component: 1, ID: m.GetID(), Version: version, Payload: payloadOf(t, m, version)}).look()
}

// frameBytes puts a payload on the wire, with the library's checksum.
func frameBytes(version, seq, system, component uint8, id uint32, payload []byte, seed byte, signed bool) []byte {
	var b []byte
	if version == 1 {
		b = append(b, startV1, byte(len(payload)), seq, system, component, byte(id))
	} else {
		flags := byte(0)
		if signed {
			flags = flagSigned
		}
		b = append(b, startV2, byte(len(payload)), flags, 0, seq, system, component, byte(id), byte(id>>8), byte(id>>16))
	}
	b = append(b, payload...)
	h := x25.New()
	h.Write(b[1:])
	h.Write([]byte{seed})
	b = h.Sum(b)
	if signed {
		b = append(b, 1, 2, 3, 4, 5, 6, 7, 0xFE, 0xFD, 10, 11, 12, 13)
	}
	return b
}

// wire encodes a message of system 1, component 1 with the library.
func wire(t testing.TB, version, seq uint8, m message.Message) []byte {
	t.Helper()
	rw := codec(t, m)
	return frameBytes(version, seq, 1, 1, m.GetID(), rw.Write(m, version == 2).Payload, rw.CRCExtra(), false)
}

// drawMessage fills a message's fields with numbers that are sometimes
// sentinels, sometimes extremes, sometimes not numbers.
func drawMessage(t *rapid.T, m message.Message) message.Message {
	v := reflect.New(reflect.TypeOf(m).Elem())
	for i := range v.Elem().NumField() {
		f, tag := v.Elem().Field(i), v.Elem().Type().Field(i)
		if f.Kind() == reflect.Array {
			// Cells: filled up to somewhere, the rest unused.
			fill := rapid.IntRange(0, f.Len()).Draw(t, tag.Name+" filled")
			for k := range f.Len() {
				if f.Type().Elem().Kind() == reflect.Uint16 && k >= fill && rapid.IntRange(0, 9).Draw(t, "gap") > 0 {
					f.Index(k).SetUint(cellUnused)
					if tag.Tag.Get("mavext") == "true" {
						f.Index(k).SetUint(0)
					}
					continue
				}
				drawNumber(t, f.Index(k), tag)
			}
			continue
		}
		drawNumber(t, f, tag)
	}
	return v.Interface().(message.Message)
}

func drawNumber(t *rapid.T, f reflect.Value, tag reflect.StructField) {
	bits := map[string]int{"uint8": 8, "uint16": 16, "uint32": 32, "uint64": 64, "int32": 32}[tag.Tag.Get("mavenum")]
	switch f.Kind() {
	case reflect.Float32, reflect.Float64:
		f.SetFloat(rapid.OneOf(
			rapid.Float64Range(-20, 20),
			rapid.Map(rapid.Float32(), func(v float32) float64 { return float64(v) }),
			rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), math.Pi, -math.Pi, math.Pi / 2}),
		).Draw(t, tag.Name))
	case reflect.String:
		f.SetString(rapid.SampledFrom([]string{"", "rope", "tenletters", "rop", "ropes", "x"}).Draw(t, tag.Name))
	case reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		n := int64(1)<<(f.Type().Bits()-1) - 1
		f.SetInt(rapid.OneOf(
			rapid.SampledFrom([]int64{-1, 0, 1, -2, n, n - 1, -n - 1}), rapid.Int64Range(-n-1, n),
			rapid.Int64Range(-100, 100),
		).Draw(t, tag.Name))
	default:
		if bits == 0 {
			bits = f.Type().Bits()
		}
		n := ^uint64(0) >> (64 - bits)
		f.SetUint(rapid.OneOf(
			rapid.SampledFrom([]uint64{0, 1, 2, 4, 25, n, n - 1}), rapid.Uint64Range(0, n),
			rapid.Uint64Range(0, min(n, 16)), rapid.Uint64Range(min(n, 2500), min(n, 4600)),
		).Draw(t, tag.Name))
	}
}

// Next finds the next frame in bytes that others follow.
func (s *Scanner) Next(b []byte) (f Frame, used int, ok bool) {
	used, ok = s.NextInto(&f, b, false)
	return f, used, ok
}

// NextWhole finds the next frame in bytes that nothing will follow.
func (s *Scanner) NextWhole(b []byte) (f Frame, used int, ok bool) {
	used, ok = s.NextInto(&f, b, true)
	return f, used, ok
}

// look finds the row of a frame that no Scanner made.
func (f *Frame) look() *Frame {
	row := knownMessages.row(f.ID)
	f.row, f.boot = uint16(row), knownMessages.rows[row].boot
	return f
}
