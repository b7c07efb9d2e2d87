package telemetry

import (
	"math"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/rules"
)

// What a pad may just state of its craft's telemetry.
func TestFieldsConfigAtItsBounds(t *testing.T) {
	output := func(idle, full float64) func(*FieldsConfig) {
		return func(c *FieldsConfig) { c.OutputIdle[15], c.OutputFull[15] = idle, full }
	}
	named := func(n Named) func(*FieldsConfig) { return func(c *FieldsConfig) { c.Named = append(c.Named, n) } }
	for _, c := range []struct {
		name   string
		change func(*FieldsConfig)
		want   bool
	}{
		{"outputs from nothing", output(0, 65534), true}, {"outputs to nothing", output(65534, 0), true}, {"outputs half a step apart", output(1000, 1000.5), true},
		{"idle past the field", output(65535, 1000), false}, {"full past the field", output(1000, 65534.5), false}, {"idle below nothing", output(-1, 1000), false}, {"full below nothing", output(1000, -0.5), false},
		{"no idle that is a number", output(math.NaN(), 1000), false}, {"no way between", output(1000, 1000), false},
		{"no motors", func(c *FieldsConfig) { c.Motors = 0 }, true}, {"one motor", func(c *FieldsConfig) { c.Motors = 1 }, true}, {"16 motors", func(c *FieldsConfig) { c.Motors = 16 }, true},
		{"17 motors", func(c *FieldsConfig) { c.Motors = 17 }, false}, {"less than none", func(c *FieldsConfig) { c.Motors = -1 }, false},
		{"one cell", func(c *FieldsConfig) { c.Cells = 1 }, true}, {"200 cells", func(c *FieldsConfig) { c.Cells = 200 }, true}, {"201 cells", func(c *FieldsConfig) { c.Cells = 201 }, false}, {"less than no cell", func(c *FieldsConfig) { c.Cells = -1 }, false},
		{"a name of one byte", named(Named{Name: "a", Channel: rules.Told1, Scale: 1}), true}, {"a name of ten", named(Named{Name: "abcdefghij", Channel: rules.Told1, Scale: 1}), true},
		{"a name of eleven", named(Named{Name: "abcdefghijk", Channel: rules.Told1, Scale: 1}), false}, {"no name", named(Named{Channel: rules.Told1, Scale: 1}), false}, {"a name with an end in it", named(Named{Name: "a\x00", Channel: rules.Told1, Scale: 1}), false},
		{"a small scale", named(Named{Name: "a", Channel: rules.Told1, Scale: -1e-9}), true}, {"no scale", named(Named{Name: "a", Channel: rules.Told1}), false}, {"a scale too large", named(Named{Name: "a", Channel: rules.Told1, Scale: 1e30}), false},
		{"an offset too large", named(Named{Name: "a", Channel: rules.Told1, Scale: 1, Offset: -1e30}), false}, {"an offset", named(Named{Name: "a", Channel: rules.Told1, Scale: 1, Offset: -0.5}), true},
		{"no channel", named(Named{Name: "a", Scale: 1}), false}, {"past the channels", named(Named{Name: "a", Channel: rules.ChannelCount, Scale: 1}), false},
		{"a flag", named(Named{Name: "a", Channel: rules.CraftArmed, Scale: 1}), false}, {"the age of the link", named(Named{Name: "a", Channel: rules.LinkAge, Scale: 1}), false},
		{"the loss of the link", named(Named{Name: "a", Channel: rules.LinkLoss, Scale: 1}), false}, {"the boot clock", named(Named{Name: "a", Channel: rules.CraftBootClock, Scale: 1}), false}, {"what is worked out", named(Named{Name: "a", Channel: rules.Apex, Scale: 1}), false},
		{"the tension", named(Named{Name: "a", Channel: rules.Tension, Scale: 1}), true},
		{"the tension beside the winch's", func(c *FieldsConfig) {
			named(Named{Name: "a", Channel: rules.Tension, Scale: 1})(c)
			c.TensionFromWinch = true
		}, false},
		{"one name twice", func(c *FieldsConfig) {
			named(Named{Name: "a", Channel: rules.Told1, Scale: 1})(c)
			named(Named{Name: "a", Channel: rules.Told1 + 1, Scale: 1})(c)
		}, false},
		{"one channel twice", func(c *FieldsConfig) {
			named(Named{Name: "a", Channel: rules.Told1, Scale: 1})(c)
			named(Named{Name: "b", Channel: rules.Told1, Scale: 1})(c)
		}, false},
	} {
		var cfg FieldsConfig
		c.change(&cfg)
		_, err := NewFields(cfg)
		if (err == nil) != c.want || err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
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
