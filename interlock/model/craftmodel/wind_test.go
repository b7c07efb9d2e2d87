package craftmodel

import (
	"math"
	"testing"
	"time"
)

// Low-altitude turbulence (MIL-F-8785C, from memory): at 20 ft with 10 m/s at
// 20 ft, σw = 1 m/s and σu = 1/(0.177 + 0.000823·20)^0.4 = 1.929 m/s.
func TestTurbulenceFormula(t *testing.T) {
	along, vertical := drydenSigma(20*foot, 10)
	near(t, "vertical", vertical, 1, 1e-12)
	near(t, "along", along, 1.9291, 0.0005)
	lu, lw := drydenLength(1000 * foot)
	// At 1000 ft the low-altitude form meets the one above it: 1000 ft and 1000 ft.
	near(t, "length along at 1000 ft", lu/foot, 1000, 1)
	near(t, "length down at 1000 ft", lw/foot, 1000, 1e-9)
}

// The turbulence that comes out has the standard deviation that was asked for
// and remembers for as long as L/U. The anemometer's cups are made ideal here.
func TestTurbulenceSpread(t *testing.T) {
	cfg := EightTwo()
	cfg.Wind, cfg.CupDistance, cfg.AnemometerHeight = 8, 0, 10
	want, _ := drydenSigma(10, logLaw(8, 10, 20*foot, cfg.Roughness))
	var n, sum, squares, products float64
	length, _ := drydenLength(10)
	apart := int(length / 8 / 0.01) // in draws: one time constant
	for seed := range uint64(20) {
		cfg.Seed = seed
		c := still(t, cfg)
		var along []float64
		for i := 1; i <= 30000; i++ {
			c.wind.step(time.Duration(i)*windStep, windStep.Seconds())
			v := c.wind.at(10)
			u := v.x*c.wind.toNorth + v.y*c.wind.toEast - 8
			along = append(along, u)
			n, sum, squares = n+1, sum+u, squares+u*u
		}
		for i := apart; i < len(along); i++ {
			products += along[i] * along[i-apart]
		}
	}
	// 20 runs of 300 s at 8 m/s hold several hundred independent values, so
	// the spread is known within about 3 % (one σ).
	sigma := math.Sqrt(squares/n - sum*sum/n/n)
	near(t, "standard deviation", sigma, want, 0.08*want)
	near(t, "mean", sum/n, 0, 0.15*want)
	near(t, "correlation after one time constant", products/n/(sigma*sigma), 1/math.E, 0.08)
}

// A gust peaks in its middle, is half way up at a quarter, and is over at its end.
func TestGustShape(t *testing.T) {
	g := gust{start: 10 * time.Second, length: 4 * time.Second, peak: 9}
	for at, want := range map[time.Duration]float64{
		9 * time.Second: 0, 10 * time.Second: 0, 11 * time.Second: 4.5, 12 * time.Second: 9,
		13 * time.Second: 4.5, 14 * time.Second: 0, 15 * time.Second: 0,
	} {
		near(t, at.String(), g.at(at), want, 1e-9)
	}
}

// 63 % of a step after τ = l0/U (published answers on a first-class cup anemometer): 2 m at 8 m/s is 0.25 s.
func TestCupLag(t *testing.T) {
	cfg := bare()
	cfg.Wind, cfg.CupDistance = 8, 2
	c := still(t, cfg)
	c.wind.cup = 0
	c.Step(250 * time.Millisecond)
	near(t, "63 % after 0.25 s", c.Wind()/8, 1-1/math.E, 0.002)
}

// Pulses come at the anemometer's own line: U = 0.27 + 0.62 f, so 6.47 m/s is
// 10 Hz (operating manual of a cup anemometer, p. 13).
func TestPulses(t *testing.T) {
	cfg := bare()
	cfg.Wind, cfg.CupDistance = 6.47, 0
	c := still(t, cfg)
	near(t, "rate", c.PulseHz(), 10, 1e-9)
	c.Advance(10 * time.Second)
	got := c.Pulses(nil)
	if len(got) < 99 || len(got) > 100 {
		t.Fatalf("pulses in 10 s: got %d, want 100", len(got))
	}
	for i := 1; i < len(got); i++ {
		near(t, "time between pulses", (got[i] - got[i-1]).Seconds(), 0.1, 1e-6)
	}
	if again := c.Pulses(nil); len(again) != 0 {
		t.Errorf("pulses were handed out twice: %d", len(again))
	}
	cfg.Wind = 0.2
	c = still(t, cfg)
	c.Advance(5 * time.Second)
	if got := c.Pulses(nil); len(got) != 0 || c.PulseHz() != 0 {
		t.Errorf("below its offset the rotor stands still: got %d pulses", len(got))
	}
}
