package telemetry

import (
	"encoding/binary"
	"testing"

	"downhaul/rules"
)

// A row names an element that the message has: the first that it has not is
// refused when the table is made.
func TestElementsEndWithTheArray(t *testing.T) {
	l, err := layoutOf(batteryStatus)
	if err != nil {
		t.Fatal(err)
	}
	p, ok := l.find("voltages")
	if !ok || p.count != 10 { // cells 1 to 10, by the open standard
		t.Fatalf("%+v", p)
	}
	for element, want := range map[int]bool{0: true, 9: true, 10: false, 11: false} {
		_, err := newOp(&l, row{channel: rules.SupplyVoltage, field: "voltages", element: element})
		if (err == nil) != want {
			t.Errorf("element %d: %v", element, err)
		}
	}
	if _, err := newOp(&l, row{channel: rules.SupplyVoltage, field: "current_battery", element: 1}); err == nil {
		t.Error("a second element of a plain field was taken")
	}
}

// Every wire type is read as MAVLink sends it, least byte first (mavlink.io,
// "Serialization").
func TestEveryWireTypeIsRead(t *testing.T) {
	for typ, c := range map[number]struct {
		sent any
		v    float64
		raw  int64
	}{
		u8: {uint8(0xF1), 241, 241}, i8: {int8(-15), -15, -15}, u16: {uint16(0xF102), 61698, 61698}, i16: {int16(-300), -300, -300},
		u32: {uint32(0xF1020304), 4043440900, 4043440900}, i32: {int32(-70000), -70000, -70000}, u64: {uint64(1 << 40), 1 << 40, 1 << 40},
		i64: {int64(-1 << 40), -1 << 40, -1 << 40}, f32: {float32(-2.5), -2.5, 0}, f64: {-1e300, -1e300, 0},
	} {
		b, err := binary.Append([]byte{0xFF}, binary.LittleEndian, c.sent) // not the first of its payload
		if err != nil {
			t.Fatal(err)
		}
		if v, raw := (&op{at: 1, typ: typ}).read(append(b, 0xFF)); v != c.v || raw != c.raw || len(b) != 1+numberRow[typ].size {
			t.Errorf("%s %v is read as %v, %d, from %d bytes", numberRow[typ].name, c.sent, v, raw, len(b)-1)
		}
	}
}

// A row whose field is none, or that is to be chosen by what is no single byte, is
// refused when the table is made.
func TestRowsThatCannotBeRead(t *testing.T) {
	l, err := layoutOf(batteryStatus)
	if err != nil {
		t.Fatal(err)
	}
	x := mustFields(t, FieldsConfig{})
	for _, c := range []struct {
		field, selector string
		want            bool
	}{
		{"current_battery", "id", true}, {"current_battery", "", true}, {"current", "id", false}, {"current_battery", "no such", false},
		{"current_battery", "temperature", false}, {"current_battery", "voltages", false},
	} {
		if err := x.add(&FieldsConfig{}, &l, c.selector, row{channel: rules.SupplyCurrent, field: c.field}); (err == nil) != c.want {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
