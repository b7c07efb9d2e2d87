package bench

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// batteryBytes is BATTERY_STATUS of that battery, encoded by the library.
func batteryBytes(t *testing.T, system, number uint8) []byte {
	t.Helper()
	table := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := table.Initialize(); err != nil {
		t.Fatal(err)
	}
	m := &common.MessageBatteryStatus{Id: number, CurrentBattery: 1000, Voltages: [10]uint16{4000, 4000}}
	f := &frame.V2Frame{SystemID: system, ComponentID: 1, Message: table.GetMessage(m.GetID()).Write(m, true)}
	f.Checksum = f.GenerateChecksum(table.GetMessage(m.GetID()).CRCExtra())
	var b bytes.Buffer
	w := &frame.Writer{ByteWriter: &b}
	if err := w.Initialize(); err != nil {
		t.Fatal(err)
	}
	if err := w.Write(f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A battery that no channel is fed from is said, with a pad file and without; one
// that is fed, or another craft's, is not.
func TestABatteryThatIsNotReadIsSaid(t *testing.T) {
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n")
	for _, c := range []struct {
		system  uint8
		numbers []uint8
		says    string
	}{
		{1, []uint8{0, 3}, ""},
		{1, []uint8{4}, "battery 4 is heard (BATTERY_STATUS) and not read: only numbers 0 to 3 are"},
		{1, []uint8{200, 0, 5}, "batteries 5, 200 are heard (BATTERY_STATUS) and not read"},
		{9, []uint8{7}, ""},
	} {
		flight := modelBytes(t, 1, 400)
		for _, n := range c.numbers {
			flight = append(flight, batteryBytes(t, c.system, n)...)
		}
		path := filepath.Join(t.TempDir(), "packs.raw")
		if err := os.WriteFile(path, flight, 0o644); err != nil {
			t.Fatal(err)
		}
		for _, p := range []*pad.Pad{nil, hudPad(t)} {
			_, notes, err := Watching([]string{path}, env, p)
			if err != nil {
				t.Fatal(err)
			}
			if said := slices.ContainsFunc(notes, func(n string) bool { return strings.Contains(n, "not read") }); said != (c.says != "") ||
				!strings.Contains(strings.Join(notes, "\n"), c.says) {
				t.Errorf("batteries %v of %d, pad %v: %q, want %q", c.numbers, c.system, p != nil, notes, c.says)
			}
		}
	}
}

// The library encodes; a battery is either told unread or feeds a channel.
func TestEveryBatteryIsReadOrToldUnread(t *testing.T) {
	fields, err := telemetry.NewFields(telemetry.FieldsConfig{})
	if err != nil {
		t.Fatal(err)
	}
	table := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := table.Initialize(); err != nil {
		t.Fatal(err)
	}
	frameOf := func(m message.Message, v2 bool) *telemetry.Frame {
		raw := table.GetMessage(m.GetID()).Write(m, v2)
		b := []byte{0xFE, byte(len(raw.Payload)), 0, 1, 1, byte(m.GetID())}
		if v2 {
			b = []byte{0xFD, byte(len(raw.Payload)), 0, 0, 0, 1, 1, byte(m.GetID()), 0, 0}
		}
		b = append(b, raw.Payload...)
		_, _, seed, _ := telemetry.Definition(m.GetID())
		b = binary.LittleEndian.AppendUint16(b, telemetry.Checksum(b[1:], seed))
		f := &telemetry.Frame{}
		if _, ok := new(telemetry.Scanner).NextInto(f, b, true); !ok {
			t.Fatalf("no frame: % x", b)
		}
		return f
	}
	for number := range 256 {
		for _, v2 := range []bool{false, true} {
			f := frameOf(&common.MessageBatteryStatus{Id: uint8(number), CurrentBattery: 1000, BatteryRemaining: 50, Temperature: 2000,
				Voltages: [10]uint16{4000, 4000, 65535, 65535, 65535, 65535, 65535, 65535, 65535, 65535}}, v2)
			var unread Unread
			unread.Hear(f)
			fed := 0
			for _, x := range fields.Append(nil, f) {
				s := x.Sample
				if s.Channel >= rules.Pack1Voltage && s.Channel <= rules.Pack4CellSpread {
					fed++
				}
			}
			if got := unread.Numbers(); (len(got) == 0) != (fed > 0) || len(got) > 0 && (len(got) != 1 || got[0] != number) {
				t.Errorf("battery %d, version 2 %v: unread %v, and %d channels were fed", number, v2, got, fed)
			}
		}
	}
	var unread Unread
	for n := range batteryAt + 1 { // cut anywhere before the number, which is 0 then
		if unread.Hear(&telemetry.Frame{ID: idBatteryStatus, Payload: make([]byte, n)}); len(unread.Numbers()) > 0 {
			t.Errorf("battery 0 in %d bytes is told unread", n)
		}
	}
	if unread.Hear(frameOf(&common.MessageHeartbeat{}, true)); len(unread.Numbers()) > 0 {
		t.Error("HEARTBEAT tells of a battery")
	}
}

// Others are told apart by their identity, up to so many of them.
func TestOthersAreToldApart(t *testing.T) {
	var o others
	for i := range 60 {
		o.note(uint8(1+i), 3)
		o.note(1, uint8(3+i))
	}
	if len(o.list) != mostOthers || o.list[0] != (other{1, 3, 2}) || o.list[1] != (other{2, 3, 1}) || o.list[2] != (other{1, 4, 1}) {
		t.Errorf("%d others, the first %+v", len(o.list), o.list[:3])
	}
}
