package craftmodel

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"io"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

// wholeDialect is the protocol library's own table of all common messages.
var wholeDialect = sync.OnceValue(func() *dialect.ReadWriter {
	all := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := all.Initialize(); err != nil {
		panic(err)
	}
	return all
})

const scenarioDir = "../../../testdata/scenarios"

// flown is a scenario flown to its end: what was said, and what was so.
type flown struct {
	craft  *Craft
	frames []Datagram
	states []State // every 10 ms
	loads  []Load
}

func fly(t *testing.T, name string, change func(*Config)) flown {
	t.Helper()
	file := filepath.Join(scenarioDir, name)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ParseScenario(file, string(text))
	if err != nil {
		t.Fatal(err)
	}
	cfg := s.Configure(EightTwo())
	if change != nil {
		change(&cfg)
	}
	f := flown{craft: still(t, cfg)}
	for at := time.Duration(0); at <= s.End; at += 10 * time.Millisecond {
		f.craft.Advance(at)
		f.frames = f.craft.Frames(f.frames)
		f.loads = f.craft.Loads(f.loads)
		f.states = append(f.states, f.craft.Truth())
	}
	return f
}

// at is the state at a time in seconds.
func (f flown) at(s float64) State { return f.states[int(math.Round(s*100))] }

// highest is the largest value over a span of seconds.
func (f flown) highest(from, to float64, of func(State) float64) float64 {
	most := math.Inf(-1)
	for i := int(from * 100); i < int(to*100) && i < len(f.states); i++ {
		most = math.Max(most, of(f.states[i]))
	}
	return most
}

// said decodes every frame with the protocol library, which also checks each
// CRC, and hands it to fn. It returns how many sequence numbers were left out.
func (f flown) said(t *testing.T, fn func(at time.Duration, m message.Message)) (missing int) {
	t.Helper()
	all := wholeDialect()
	var seq byte
	for i, d := range f.frames {
		r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(d.Bytes)), DialectRW: all}
		if err := r.Initialize(); err != nil {
			t.Fatal(err)
		}
		fr, err := r.Read()
		if err != nil {
			t.Fatalf("frame %d at %v: %v", i, d.At, err)
		}
		if _, unknown := fr.GetMessage().(*message.MessageRaw); unknown {
			t.Fatalf("frame %d at %v: message %d was not decoded", i, d.At, fr.GetMessage().GetID())
		}
		if fr.GetSystemID() != 1 || fr.GetComponentID() != 1 {
			t.Fatalf("frame %d: got system %d component %d, want 1 and 1", i, fr.GetSystemID(), fr.GetComponentID())
		}
		if _, err := r.Read(); err != io.EOF {
			t.Fatalf("frame %d: more than one frame in a datagram (%v)", i, err)
		}
		if i > 0 {
			missing += int(fr.GetSequenceNumber() - seq - 1)
		}
		seq = fr.GetSequenceNumber()
		fn(d.At, fr.GetMessage())
	}
	return missing
}

func TestQuietFlight(t *testing.T) {
	f := fly(t, "quiet-hover.txt", nil)
	for s := 16.0; s < 30; s += 0.1 {
		if h := f.at(s).Height; math.Abs(h-2.5) > 0.2 {
			t.Fatalf("height at %.1f s: got %.3f m, want 2.5 ± 0.2", s, h)
		}
		if x := f.at(s); math.Hypot(x.North, x.East) > 0.5 {
			t.Fatalf("place at %.1f s: %.2f north %.2f east, want within 0.5 m", s, x.North, x.East)
		}
	}
	end := f.at(47)
	if end.Mode != Disarmed || !end.OnGround || end.HighestRPM != 0 {
		t.Errorf("at the end: got %v, on ground %v, %.0f rpm; want disarmed, on the ground, still", end.Mode, end.OnGround, end.HighestRPM)
	}
	if hard := end.TouchdownMax; hard > 0.7 {
		t.Errorf("touched down at %.2f m/s, want 0.7 or less", hard)
	}
	// Thrust in hover is the weight, and the output is the one foretold.
	near(t, "thrust in hover", f.at(25).Thrust, 60*Gravity, 0.03*60*Gravity)
	near(t, "output in hover", f.at(29).Output, f.craft.TrueHoverOutput(), 0.01)

	// What is said agrees with what is so.
	armedAt, airAt := time.Duration(-1), time.Duration(-1)
	var landed []common.MAV_LANDED_STATE
	var lastHeight float64
	missing := f.said(t, func(at time.Duration, m message.Message) {
		truth := f.states[min(int(at/(10*time.Millisecond))+1, len(f.states)-1)]
		switch m := m.(type) {
		case *common.MessageHeartbeat:
			if m.Autopilot != common.MAV_AUTOPILOT_GENERIC || m.Type != common.MAV_TYPE_OCTOROTOR {
				t.Fatalf("heartbeat: got autopilot %v type %v", m.Autopilot, m.Type)
			}
			armed := m.BaseMode&common.MAV_MODE_FLAG_SAFETY_ARMED != 0
			if armed != (truth.Mode != Disarmed) {
				t.Errorf("heartbeat at %v says armed %v in mode %v", at, armed, truth.Mode)
			}
			if armed && armedAt < 0 {
				armedAt = at
			}
		case *common.MessageExtendedSysState:
			if n := len(landed); n == 0 || landed[n-1] != m.LandedState {
				landed = append(landed, m.LandedState)
			}
			if m.LandedState == common.MAV_LANDED_STATE_IN_AIR && airAt < 0 {
				airAt = at
			}
			if m.LandedState == common.MAV_LANDED_STATE_ON_GROUND && truth.Height > 0.02 {
				t.Errorf("says on the ground at %v with %.2f m of height", at, truth.Height)
			}
		case *common.MessageGlobalPositionInt:
			lastHeight = float64(m.RelativeAlt) / 1000
			near(t, "relative_alt at "+at.String(), lastHeight, truth.Height, 0.1)
			near(t, "vz (down)", -float64(m.Vz)/100, truth.Climb, 0.15)
		case *common.MessageLocalPositionNed:
			near(t, "z (down)", -float64(m.Z), truth.Height, 0.1)
			near(t, "x", float64(m.X), truth.North, 0.12)
			near(t, "y", float64(m.Y), truth.East, 0.12)
		case *common.MessageServoOutputRaw:
			if m.Servo8Raw < 1000 || m.Servo8Raw > 2000 || m.Servo9Raw != 0 {
				t.Fatalf("outputs at %v: got %d and %d, want 1000 to 2000 and 0", at, m.Servo8Raw, m.Servo9Raw)
			}
		}
	})
	if missing != 0 {
		t.Errorf("%d sequence numbers left out on a whole link", missing)
	}
	if armedAt < 3*time.Second || armedAt > 4100*time.Millisecond {
		t.Errorf("first armed heartbeat at %v, want within a second of 3 s", armedAt)
	}
	want := []common.MAV_LANDED_STATE{1, 3, 2, 4, 1}
	if len(landed) != len(want) {
		t.Fatalf("landed states: got %v, want %v", landed, want)
	}
	for i := range want {
		if landed[i] != want[i] {
			t.Fatalf("landed states: got %v, want %v", landed, want)
		}
	}
	if airAt < 7*time.Second || airAt > 10*time.Second {
		t.Errorf("in the air at %v, want between 7 and 10 s", airAt)
	}
}

// Every script flies twice to the same bytes, and another seed gives others.
func TestSameSeedSameBytes(t *testing.T) {
	sum := func(f flown) (out [32]byte) {
		h := sha256.New()
		for _, d := range f.frames {
			h.Write(d.Bytes)
			h.Write([]byte(d.At.String()))
		}
		for _, l := range f.loads {
			h.Write([]byte(l.At.String()))
			h.Write(binaryOf(l.Newton))
		}
		copy(out[:], h.Sum(nil))
		return out
	}
	for _, name := range []string{"gust.txt", "tumble.txt", "link-lost.txt"} {
		a, b := sum(fly(t, name, nil)), sum(fly(t, name, nil))
		if a != b {
			t.Errorf("%s: two flights with one seed differ", name)
		}
		if c := sum(fly(t, name, func(c *Config) { c.Seed++ })); c == a {
			t.Errorf("%s: another seed gave the same bytes", name)
		}
	}
}

func binaryOf(v float64) []byte {
	b := math.Float64bits(v)
	return []byte{byte(b), byte(b >> 8), byte(b >> 16), byte(b >> 24), byte(b >> 32), byte(b >> 40), byte(b >> 48), byte(b >> 56)}
}

// How the time is cut into steps changes nothing.
func TestStepsDoNotMatter(t *testing.T) {
	run := func(step time.Duration) []Datagram {
		cfg := EightTwo()
		cfg.Events = []Event{{At: time.Second, Act: Arm}, {At: 2 * time.Second, Act: ClimbTo, Value: 2}}
		c := still(t, cfg)
		var out []Datagram
		for c.Now()+c.rest < 8*time.Second {
			c.Step(min(step, 8*time.Second-c.Now()-c.rest))
			out = c.Frames(out)
		}
		return out
	}
	want := run(time.Second)
	for _, step := range []time.Duration{300 * time.Microsecond, 7 * time.Millisecond, 8 * time.Second} {
		got := run(step)
		if len(got) != len(want) {
			t.Fatalf("steps of %v: %d frames, want %d", step, len(got), len(want))
		}
		for i := range got {
			if got[i].At != want[i].At || !bytes.Equal(got[i].Bytes, want[i].Bytes) {
				t.Fatalf("steps of %v: frame %d differs", step, i)
			}
		}
	}
}

func TestScenariosDoWhatTheySay(t *testing.T) {
	height := func(s State) float64 { return s.Height }
	tension := func(s State) float64 { return s.Tension }
	tilt := func(s State) float64 { return s.Tilt }
	for _, row := range []struct {
		name  string
		check func(t *testing.T, f flown)
	}{
		{"ballast-step.txt", func(t *testing.T, f flown) {
			near(t, "mass", f.craft.TrueMass(), 72, 0)
			near(t, "first hover", f.at(38).Height, 2, 0.2)
			near(t, "second hover", f.at(72).Height, 3, 0.2)
			near(t, "output", f.at(72).Output, f.craft.TrueHoverOutput(), 0.01)
			x := f.at(72)
			near(t, "power in hover by momentum theory", x.Voltage*x.Current, f.craft.TruePower(72*Gravity), 0.03*x.Voltage*x.Current)
			if f.at(90).Mode != Disarmed {
				t.Error("not disarmed at the end")
			}
		}},
		{"heavy-step.txt", func(t *testing.T, f flown) {
			if h := f.highest(0, 30, height); h > 0.02 {
				t.Errorf("left the ground by %.3f m", h)
			}
			if o := f.at(20).Output; o < 0.999 {
				t.Errorf("output at 20 s: got %.3f, want full", o)
			}
			if f.craft.TrueHoverOutput() <= 1 {
				t.Error("the hover output must be above 1 for a craft that cannot lift")
			}
		}},
		{"gust.txt", func(t *testing.T, f flown) {
			w := f.highest(20, 24, func(s State) float64 { return s.WindAtCraft })
			if w < 11 || w > 17 {
				t.Errorf("wind at the craft: got %.1f m/s, want about 13", w)
			}
			if f.highest(20, 24, tilt) < 2*f.highest(17, 20, tilt) {
				t.Error("the gust did not lean the craft")
			}
		}},
		{"runaway.txt", func(t *testing.T, f flown) {
			if h := f.highest(18, 24, height); h < 8.5 || h > 10.5 {
				t.Errorf("highest: got %.2f m, want the tether's 9 m and its stretch", h)
			}
			if n := f.highest(18, 24, tension); n < 2000 {
				t.Errorf("tension: got %.0f N, want a snatch", n)
			}
		}},
		{"snatch.txt", func(t *testing.T, f flown) {
			near(t, "highest", f.highest(16, 21, height), 4, 1)
			if n := f.highest(16, 21, tension); n < 2000 {
				t.Errorf("tension: got %.0f N, want a snatch", n)
			}
		}},
		{"motor-out.txt", func(t *testing.T, f flown) {
			if f.highest(18, 24, tilt) < 0.1 {
				t.Error("a dead motor went unfelt")
			}
			near(t, "height on seven motors", f.at(30).Height, 2.5, 0.4)
			if f.at(49).Mode != Disarmed {
				t.Error("did not land on seven motors")
			}
		}},
		{"tumble.txt", func(t *testing.T, f flown) {
			if got := f.highest(18, 28, tilt); got < math.Pi/2 {
				t.Errorf("largest tilt: got %.2f rad, want over a right angle", got)
			}
			if f.at(27).Mode != Disarmed {
				t.Error("a craft on its back did not disarm")
			}
		}},
		{"height-drift.txt", func(t *testing.T, f flown) {
			if h := f.at(30).Height; h > 2.5 {
				t.Errorf("true height at 30 s: got %.2f m, want 2 m lower than told", h)
			}
		}},
	} {
		t.Run(row.name, func(t *testing.T) { row.check(t, fly(t, row.name, nil)) })
	}
}

// After a power cut the rotors run down, the craft falls, and autopilot and
// telemetry go on; the autopilot disarms once it lies there without power.
func TestPowerCut(t *testing.T) {
	f := fly(t, "quiet-hover.txt", func(c *Config) {
		c.Events = []Event{
			{At: 3 * time.Second, Act: Arm}, {At: 6 * time.Second, Act: ClimbTo, Value: 2.5},
			{At: 20 * time.Second, Act: PowerOff},
		}
	})
	if f.at(20).Height < 2.3 || !f.at(19.9).Powered || f.at(20.1).Powered {
		t.Fatalf("before the cut: %+v", f.at(20))
	}
	if f.at(21.5).Height > 0.1 {
		t.Errorf("1.5 s after the cut: %.2f m, want on the ground", f.at(21.5).Height)
	}
	if f.at(23).HighestRPM > 60 {
		t.Errorf("3 s after the cut: %.0f rpm", f.at(23).HighestRPM)
	}
	if f.at(30).Mode != Disarmed {
		t.Errorf("10 s after the cut: %v, want disarmed", f.at(30).Mode)
	}
	frames := 0
	f.said(t, func(at time.Duration, m message.Message) {
		if at < 21*time.Second {
			return
		}
		frames++
		if m, ok := m.(*common.MessageEscStatus); ok && m.Voltage != [4]float32{} {
			t.Fatalf("speed controllers have %v V without power", m.Voltage)
		}
		if m, ok := m.(*common.MessageSysStatus); ok && m.VoltageBattery < 40000 {
			t.Fatalf("the pack's own monitor reads %d mV", m.VoltageBattery)
		}
	})
	if frames < 1000 {
		t.Errorf("telemetry after the cut: %d frames", frames)
	}
}
