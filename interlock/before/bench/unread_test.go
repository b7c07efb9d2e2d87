package bench

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock/pad"
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
