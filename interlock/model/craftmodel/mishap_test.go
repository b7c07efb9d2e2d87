package craftmodel

import (
	"math"
	"strings"
	"testing"
	"time"
)

// after hovers at 3 m, lets something happen and looks d later.
func after(t *testing.T, d time.Duration, e Event) (before, now State, c *Craft) {
	t.Helper()
	cfg := EightTwo()
	cfg.Wind, cfg.Turbulence, cfg.LoadCellNoise = 0, 0, 0
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []Event{{Act: Arm}, {Act: ClimbTo, Value: 3}} {
		if err := c.Do(x); err != nil {
			t.Fatal(err)
		}
	}
	c.Step(20 * time.Second)
	before = c.Truth()
	if err := c.Do(e); err != nil {
		t.Fatal(err)
	}
	c.Step(d)
	return before, c.Truth(), c
}

// The pack's voltage falls by the sag of every cell; at most by a little more, as the
// same power asks for more current then (V = E − I R).
func TestPackSags(t *testing.T) {
	before, now, _ := after(t, 3*time.Second, Event{Act: PackSag, Value: 0.3})
	if fell := before.Voltage - now.Voltage; fell < 14*0.3*0.97 || fell > 14*0.3*1.2 {
		t.Errorf("14 cells that lose 0.3 V each: %.2f V less", fell)
	}
}

// Below the hover's output the craft sinks at the rate that thrust in proportion to the
// square of output leaves: a = g (1 − (limit/hover)²), Newton.
func TestOutputLimit(t *testing.T) {
	before, now, _ := after(t, 700*time.Millisecond, Event{Act: OutputLimit, Value: 0.5})
	a := Gravity * (1 - math.Pow(0.5/before.Output, 2))
	if want := a * 0.6; math.Abs(-now.Climb-want) > 0.25*want { // the motors lag by 0.1 s
		t.Errorf("it sinks at %.2f m/s, by hand %.2f", -now.Climb, want)
	}
}

// A climb into a snagged tether ends as one into a short one: a spring whose stiffness
// is modulus over length.
func TestTetherSnags(t *testing.T) {
	_, _, c := after(t, 0, Event{Act: TetherIs, Value: 4})
	if err := c.Do(Event{Act: ClimbTo, Value: 8}); err != nil {
		t.Fatal(err)
	}
	c.Step(10 * time.Second)
	s := c.Truth()
	stretch := s.Height + c.cfg.LegHeight - 4
	if want := 42e3 / 4 * stretch; s.Tension <= 0 || math.Abs(s.Tension-want) > 0.1*want+5 {
		t.Errorf("stretched by %.3f m it pulls %.0f N, by Hooke %.0f N", stretch, s.Tension, want)
	}
}

func TestLoadCellOffAndHeightTurned(t *testing.T) {
	if _, _, c := after(t, time.Second, Event{Act: CellOff, Value: -120}); math.Abs(c.Tension()+120) > 1 {
		t.Errorf("a slack tether reads %.1f N", c.Tension())
	}
	_, now, c := after(t, 0, Event{Act: HeightTurns})
	if e := c.told(); math.Abs(e.height+now.Height) > 1e-6 || c.believed().height < 2 {
		t.Errorf("told %.2f m, believed %.2f m", e.height, c.believed().height)
	}
}

func TestWhatAGuardFlies(t *testing.T) {
	s, err := ParseScenario("x.txt", "expect no start\nfrom hover\nat 1 s pad press estop\nat 2 s fault tether is 2 m\nat 3 s end\n")
	if err != nil || s.Expect != "no start" || s.From != "hover" || s.Events[0].Text != "press estop" || s.Events[1].Value != 2 {
		t.Errorf("%+v, %v", s, err)
	}
	for text, want := range map[string]string{
		"expect luck\nat 1 s end":             "expect stop, lowering, none or no start",
		"from noon\nat 1 s end":               `expected "start"`,
		"at 1 s pad\nat 2 s end":              "pad needs what happens there",
		"at 1 s fault tether is 0 m":          "length must be above zero",
		"at 1 s fault output stays below 0 %": "share must be above 0",
	} {
		if _, err := ParseScenario("x.txt", text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}
