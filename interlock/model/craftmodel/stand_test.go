package craftmodel

import (
	"math"
	"testing"
	"time"
)

// onStand is one motor with a 15 inch propeller on a lever.
func onStand(lever float64) Config {
	c := EightTwo()
	c.Motors, c.Lever, c.Mass, c.TetherLength = 1, lever, 3, 0
	c.Diameter, c.ThrustCoefficient, c.SpeedPerVolt, c.MotorLag = 0.381, 0.11, 6.2, 40*time.Millisecond
	c.Cells, c.Capacity, c.CellResistance, c.SlowResistance, c.Avionics, c.LoadCellNoise = 6, 10, 0.003, 0.001, 5, 0.05
	return c
}

// held is the mean and the standard deviation of what the load cell reads in 2 s at an
// output, 3 s after it was set.
func held(t *testing.T, c *Craft, output float64) (mean, sd float64) {
	t.Helper()
	if err := c.Do(Event{Act: OutputTo, Value: output}); err != nil {
		t.Fatal(err)
	}
	c.Step(3 * time.Second)
	c.Loads(nil)
	c.Step(2 * time.Second)
	loads := c.Loads(nil)
	for _, l := range loads {
		mean += l.Newton / float64(len(loads))
	}
	for _, l := range loads {
		sd += (l.Newton - mean) * (l.Newton - mean) / float64(len(loads)-1)
	}
	return mean, math.Sqrt(sd)
}

// On a stand the cell reads the law T = CT·ρ·n²·D⁴ over the lever, and the weight of what
// hangs where the motor pulls; nothing moves.
func TestStandReadsTheThrustOverItsLever(t *testing.T) {
	c, err := New(onStand(2))
	if err != nil {
		t.Fatal(err)
	}
	do := func(e Event) {
		t.Helper()
		if err := c.Do(e); err != nil {
			t.Fatal(err)
		}
	}
	do(Event{Act: Hang, Value: 2})
	if got, _ := held(t, c, 0); math.Abs(got-2*Gravity/2) > 0.02 {
		t.Errorf("a hung mass of 2 kg reads %.3f N", got)
	}
	do(Event{Act: Hang})
	do(Event{Act: Arm})
	for _, output := range []float64{0.2, 0.5, 0.8, 1} {
		got, _ := held(t, c, output)
		s := c.Truth()
		if want := Thrust(0.11, Density(120, 14), s.HighestRPM/60, 0.381) / 2; math.Abs(got-want) > 0.01*want+0.02 {
			t.Errorf("at %v it reads %.3f N, and %.0f rpm give %.3f", output, got, s.HighestRPM, want)
		}
		if s.Height > 0.01 || !s.OnGround {
			t.Errorf("it moved: %+v", s)
		}
	}
	do(Event{Act: Disarm})
	if got, _ := held(t, c, 1); math.Abs(got) > 0.02 {
		t.Errorf("disarmed it reads %.3f N", got)
	}
}

// A flutter takes thrust and shakes, and leaves the rotor's speed; a supply that gives way
// takes voltage, speed and thrust together.
func TestStandFluttersAndItsSupplyGivesWay(t *testing.T) {
	c, err := New(onStand(1))
	if err != nil {
		t.Fatal(err)
	}
	_ = c.Do(Event{Act: Arm})
	whole, quiet := held(t, c, 0.9)
	n, amps, volts := c.Truth().HighestRPM, c.pack.current, c.pack.voltage
	if err := c.Do(Event{Act: Flutters, Value: 0.8 * n / 60}); err != nil {
		t.Fatal(err)
	}
	less, shakes := held(t, c, 0.9)
	if less > 0.88*whole || less < 0.82*whole || shakes < 5*quiet || math.Abs(c.Truth().HighestRPM-n) > 0.01*n {
		t.Errorf("flutter: %.2f of %.2f N, shakes %.2f of %.2f, %.0f of %.0f rpm", less, whole, shakes, quiet, c.Truth().HighestRPM, n)
	}
	_ = c.Do(Event{Act: ClearFaults})
	if err := c.Do(Event{Act: GivesWay, Value: amps / 2}); err != nil {
		t.Fatal(err)
	}
	less, _ = held(t, c, 0.9)
	if c.pack.voltage > 0.9*volts || less > 0.9*whole || c.Truth().HighestRPM > 0.95*n {
		t.Errorf("weak supply: %.2f of %.2f V, %.2f of %.2f N", c.pack.voltage, volts, less, whole)
	}
	if err := c.Do(Event{Act: OutputTo, Value: 1.1}); err == nil {
		t.Error("takes an output of 110 %")
	}
	flies, _ := New(EightTwo())
	if err := flies.Do(Event{Act: Hang, Value: 1}); err == nil {
		t.Error("a craft on its tether takes a hung mass")
	}
}
