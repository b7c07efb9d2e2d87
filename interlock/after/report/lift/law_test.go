package lift

import (
	"math"
	"testing"
)

// The least-squares line of Anscombe's first data set, as published (The American
// Statistician 27, 1973): slope 0.500, intercept 3.00, standard errors 0.118 and
// 1.12, residual standard deviation 1.24.
func TestLineOfPublishedData(t *testing.T) {
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	own := make([]float64, len(x))
	for i := range own {
		own[i] = 0.01
	}
	l, ok := fitLine(x, y, own)
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "slope", l.slope, 0.500, 0.0005)
	near(t, "intercept", l.level-l.slope*l.centre, 3.00, 0.005)
	near(t, "error of the slope", l.slopeUnsure, 0.118, 0.0005)
	near(t, "scatter", l.scatter, 1.24, 0.005)
	near(t, "freedom", l.freedom, 9, 0)
	// The points' own errors are a floor of the scatter.
	for i := range own {
		own[i] = 5
	}
	l, _ = fitLine(x, y, own)
	near(t, "scatter of unsure points", l.scatter, 5, 1e-9)
}

func TestLineNeedsThreePointsThatDiffer(t *testing.T) {
	if _, ok := fitLine([]float64{1, 2}, []float64{1, 2}, []float64{1, 1}); ok {
		t.Error("two points leave no scatter, and were fitted")
	}
	if _, ok := fitLine([]float64{2, 2, 2}, []float64{1, 2, 3}, []float64{1, 1, 1}); ok {
		t.Error("one load has no slope, and was fitted")
	}
}

// Student's t at 95 %, two-sided, as every table of it has it.
func TestStudent(t *testing.T) {
	for _, c := range []struct{ freedom, want float64 }{{1, 12.706}, {2, 4.303}, {3, 3.182}, {4, 2.776}, {10, 2.228}, {30, 2.042}} {
		near(t, "t", student(c.freedom), c.want, 0.0006)
	}
}

// Draws of a line make the interval that Student's t gives: inside the points
// the level with one new point's scatter.
func TestDrawsAreStudents(t *testing.T) {
	x, y, own := []float64{1, 2, 3, 4, 5}, []float64{10.1, 9.9, 10.1, 9.9, 10.1}, []float64{1e-6, 1e-6, 1e-6, 1e-6, 1e-6}
	l, _ := fitLine(x, y, own)
	l.top = 100
	rng := newRandom(1)
	var v []float64
	for range 20000 {
		d := l.draw(rng, bend{low: -10, high: 10})
		v = append(v, d.at(3))
	}
	e := interval(v)
	want := student(3) * l.scatter * math.Sqrt(1+1.0/5)
	near(t, "half width over Student's", (e.High-e.Low)/2/want, 1, 0.04)
	near(t, "middle", e.Mid, 10.02, 0.005)
}

// A motor on paper that follows T = C·ρ·n² is found again, and its power by
// momentum theory: P = T^1.5/√(2ρA). 30 kg on six rotors of 0.71 m take 2091.71 W
// of ideal power at sea level and 2195.77 W at 1000 m (computed from the formula,
// ρ 1.225 and 1.11164 kg/m³).
func TestLawFindsThePowerOfMomentumTheory(t *testing.T) {
	area := math.Pi * 0.355 * 0.355
	var points []Point
	for _, mass := range []float64{18, 22, 26, 30} {
		thrust := mass * Gravity
		watts := 6 * math.Pow(thrust/6, 1.5) / math.Sqrt(2*1.225*area)
		speed := math.Sqrt(thrust / 6 / (0.02 * 1.225))
		points = append(points, Point{
			Kind: Hover, Thrust: thrust, Motors: 6, Output: speed / 150, Voltage: 50, Current: watts / 50, Density: 1.225,
		})
	}
	near(t, "the input itself", points[3].Voltage*points[3].Current, 2091.71, 0.05)
	l, why := newLaw(points)
	if why != "" {
		t.Fatal(why)
	}
	d := drawnLaw{drive: drawn{level: l.drive.level}, power: drawn{level: l.power.level}}
	one := 30 * Gravity / 6
	near(t, "power at sea level", 6*d.watts(one, 1.225), 2091.71, 0.5)
	near(t, "power at 1000 m", 6*d.watts(one, 1.11164), 2195.77, 0.5)
	near(t, "bend of the drive", l.drive.slope, 0, 1e-9)
	// Thrust at a given output × voltage goes with density: T = C·ρ·n².
	near(t, "output at 1000 m over that at sea level", d.volts(one, 1.11164)/d.volts(one, 1.225), math.Sqrt(1.225/1.11164), 1e-9)
	// Hover speed goes with the root of thrust over weight: at a ratio of 2 the
	// output is 0.707 (T = C·ρ·n²).
	near(t, "output at half the thrust", d.volts(one/2, 1.225)/d.volts(one, 1.225), 0.7071, 0.0001)
}

// The pack's two-load resistance: (U1 − U2)/(I2 − I1), 1 A at 3.950 V and 5 A at
// 3.870 V is 20.0 mΩ (the d.c. method of IEC 61960; the numbers constructed).
func TestResistanceOfTwoLoads(t *testing.T) {
	var r Run
	for i := range 24 {
		volts, amps := 3.950, 1.0
		if i%2 == 1 {
			volts, amps = 3.870, 5
		}
		r.Voltage.T, r.Voltage.V = append(r.Voltage.T, float64(i)), append(r.Voltage.V, volts)
		r.Current.T, r.Current.V = append(r.Current.T, float64(i)), append(r.Current.V, amps)
	}
	var s supply
	s.loadSteps([]Run{r}, 5)
	near(t, "resistance", s.stepOhms, 0.0200, 1e-9)
	near(t, "steps", float64(s.steps), 23, 0)
	near(t, "resting voltage", 3.950+1*s.stepOhms, 3.970, 1e-9)
}

// The pack on paper is found again: source, resistance and fall.
func TestPackIsFound(t *testing.T) {
	c := newPaper()
	s, why := newSupply(c.day(60, 70, 80, 90))
	if why != "" {
		t.Fatal(why)
	}
	near(t, "resistance", s.ohms+s.slow, c.ohms, 0.0004)
	near(t, "resting", s.newest, c.source, 0.1)
	near(t, "fall", s.fall, c.fall, 0.08*c.fall)
	if s.collapse != 0 {
		t.Errorf("it did not give way, and is said to at %v A", s.collapse)
	}
	_, amps, _ := c.hover(c.most(1.225, 57.5), 1.225, 57.5)
	near(t, "largest current carried", s.shown, amps, 0.03*amps)
}

// The most thrust is the fixed point of sag and thrust: against the craft on
// paper, whose own is found by other means.
func TestMostThrustIsAtTheSaggedVoltage(t *testing.T) {
	c := newPaper()
	d := sample{rho: 1.225, resting: c.source, ohms: c.ohms, law: drawnLaw{
		drive: drawn{level: 1 / (c.perVolt * math.Sqrt(c.coefficient))}, power: drawn{level: c.momentum},
	}}
	m := machine{motors: 8, cells: 1, packs: 1, thrust: 1, ohms: 1, limit: 1}
	got, s := m.most(&d, c.source)
	near(t, "most thrust", got, c.most(1.225, c.source), 0.01)
	near(t, "output there", s.output, 1, 1e-6)
	near(t, "the pack's own equation", c.source-c.ohms*s.amps, s.volts, 1e-6)
	// Without sag it would be a good deal more: that is the over-promise.
	naive := 8 * c.coefficient * 1.225 * math.Pow(c.perVolt*c.source, 2)
	if !(naive > 1.2*got) {
		t.Errorf("sag takes %.0f of %.0f N: the case shows nothing", naive-got, naive)
	}
}

// volts is output × voltage for the thrust of one motor.
func (d *drawnLaw) volts(thrust, rho float64) float64 {
	return d.bareVolts(d.bare(thrust), rho)
}
