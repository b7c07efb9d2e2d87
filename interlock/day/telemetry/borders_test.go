package telemetry

import (
	"math"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/rules"
)

// Outputs of any two pulses, and those of a craft that nothing is stated of.
func TestOutputsOfAnyPulses(t *testing.T) {
	// An output of 0 µs at idle is a range as any other; without both 1000 to 2000 counts.
	for _, c := range []struct{ idle, full, pulse, want float64 }{{0, 0, 1250, 0.25}, {0, 1000, 250, 0.25}, {1000, 0, 250, 0.75}} {
		var cfg FieldsConfig
		cfg.OutputIdle[0], cfg.OutputFull[0] = c.idle, c.full
		for _, s := range samples(mustFields(t, cfg), bareFrame(t, &common.MessageServoOutputRaw{Servo1Raw: uint16(c.pulse)}, 2)) {
			if s.Channel == rules.Motor1Output && math.Abs(s.Value-c.want) > 1e-12 {
				t.Errorf("%+v: an output of %v", c, s.Value)
			}
		}
	}
	if x, err := NewFields(FieldsConfig{}); err != nil || len(x.Sources[rules.Roll]) == 0 {
		t.Errorf("%v: roll %v", err, x.Sources[rules.Roll])
	}
}

// The definitions that records are judged by: lengths and CRC_EXTRA as the MAVLink common
// message set has them (HEARTBEAT 50, SYS_STATUS 124, BATTERY_STATUS 154; from memory),
// and none for an id that no published message has, below the table's end or past it.
func TestDefinition(t *testing.T) {
	for _, c := range []struct {
		id               uint32
		base, full, seed uint8
		known            bool
	}{{0, 9, 9, 50, true}, {1, 31, 43, 124, true}, {147, 36, 54, 154, true}, {3, 0, 0, 0, false}, {1 << 23, 0, 0, 0, false}} {
		if base, full, seed, known := Definition(c.id); base != c.base || full != c.full || seed != c.seed || known != c.known {
			t.Errorf("message %d: %d to %d bytes, seed %d, known %v; want %d to %d, %d, %v", c.id, base, full, seed, known, c.base, c.full, c.seed, c.known)
		}
	}
}

// Two messages tell of four motor controllers a frame, no other.
func TestWhichMessagesTellOfControllers(t *testing.T) {
	x := &Fields{chosen: 4}
	for id := range uint32(400) {
		first, ok := x.Controllers(&Frame{ID: id})
		if first != 4 || ok != (id == 290 || id == 291) { // ESC_INFO and ESC_STATUS, MAVLink common.xml
			t.Errorf("message %d: controllers from %d on: %v", id, first, ok)
		}
	}
}
