package craftmodel

import (
	"math"
	"testing"
	"time"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// Standard atmosphere at geometric heights: the published table (US Standard
// Atmosphere 1976, as printed by the Engineering ToolBox): pressure in bar and
// the ratio of density to that at sea level.
func TestStandardAtmosphere(t *testing.T) {
	for _, row := range []struct{ z, kelvin, bar, ratio float64 }{
		{0, 288.15, 1.01325, 1}, {500, 284.9, 0.9546, 0.9529}, {1000, 281.7, 0.8988, 0.9075},
		{1500, 278.4, 0.8456, 0.8638}, {2000, 275.2, 0.7950, 0.8217}, {2500, 271.9, 0.7469, 0.7812},
		{3000, 268.7, 0.7012, 0.7423},
	} {
		near(t, "temperature", StandardTemperature(row.z)+273.15, row.kelvin, 0.06)
		near(t, "pressure", pressure(row.z)/1e5, row.bar, 0.00006)
		rho := Density(row.z, StandardTemperature(row.z))
		near(t, "density ratio", rho/Density(0, 15), row.ratio, 0.00015)
	}
	near(t, "density at sea level", Density(0, 15), 1.225, 5e-6)
}

// Hover by momentum theory, T^1.5/√(2ρA) (formula: spinningwing.com, momentum
// theory calculator; no published worked numbers were found, so these are the
// formula worked by hand).
func TestHoverPower(t *testing.T) {
	const rho = 1.225
	for _, row := range []struct {
		kg       float64
		rotors   int
		diameter float64
		area     float64
		v, watt  float64
	}{
		{1, 4, 0.254, 0.20268, 4.4439, 43.58},
		{10, 6, 0.5588, 1.47148, 5.2156, 511.47},
	} {
		c := Config{Diameter: row.diameter}
		area := c.discArea() * float64(row.rotors)
		near(t, "area", area, row.area, 1e-5)
		near(t, "induced velocity", inducedVelocity(row.kg*Gravity, rho, area), row.v, 5e-5)
		near(t, "induced power", InducedPower(row.kg*Gravity, rho, area), row.watt, 0.01)
		// The same, rotor by rotor, as the model does it.
		one := InducedPower(row.kg*Gravity/float64(row.rotors), rho, c.discArea())
		near(t, "sum of rotors", one*float64(row.rotors), row.watt, 0.01)
	}
	c := Config{Diameter: 0.71}
	low := InducedPower(30*Gravity, 1.225, 6*c.discArea())
	high := InducedPower(30*Gravity, Density(1000, StandardTemperature(1000)), 6*c.discArea())
	near(t, "30 kg", low, 2091.71, 0.01)
	near(t, "30 kg at 1000 m", high, 2195.77, 0.05)
}

// T = CT ρ n² D⁴ (Mechanical Engineering Handbook, propeller theory): thrust
// goes with the square of the speed, so with a thrust-to-weight ratio W the
// hover runs at √(1/W) of full speed.
func TestThrustSquareLaw(t *testing.T) {
	near(t, "one number by hand", Thrust(0.1, 1.2, 30, 0.9), 0.1*1.2*900*0.6561, 1e-9)
	for _, row := range []struct{ ratio, speed float64 }{
		{1.5, 0.816}, {1.8, 0.745}, {2, 0.707}, {2.5, 0.632}, {3, 0.577},
	} {
		full := Thrust(0.1, 1.225, 50, 0.9)
		near(t, "speed share", Thrust(0.1, 1.225, 50*row.speed, 0.9), full/row.ratio, full*0.001)
	}
	c := still(t, EightTwo())
	near(t, "square of the output", c.TrueThrust(0.5, 52)/c.TrueThrust(1, 52), 0.25, 1e-12)
	near(t, "square of the voltage", c.TrueThrust(1, 40)/c.TrueThrust(1, 50), 0.64, 1e-12)
}

// 1.225 kg/m³, 30 m/s, 2 m², Cd 0.5 makes 551.25 N (published example,
// calculator.7search.cc, drag force).
func TestDrag(t *testing.T) {
	near(t, "drag", drag(1.225, 30, 2*0.5), 551.25, 1e-9)
	// The same through the body: the first moment in a wind it is not used to.
	cfg := bare()
	cfg.DragArea, cfg.Wind, cfg.AnemometerHeight = 1, 30, 20
	cfg.Elevation, cfg.Celsius = 0, 15
	c := still(t, cfg)
	c.body.pos = vec{0, 0, -20}
	f, _ := c.forces(vec{})
	near(t, "drag on the craft", math.Hypot(f.x, f.y), 551.25, 0.01)
}

// 10 m/s at 10 m over z0 0.03 is 13.58 m/s at 80 m; 5 m/s at 20 m over z0 1 is
// 6.53 at 50 m (novacalculator.com, logarithmic profile, worked again here).
func TestLogLaw(t *testing.T) {
	near(t, "80 m", logLaw(10, 10, 80, 0.03), 13.58, 0.005)
	near(t, "50 m", logLaw(5, 20, 50, 1), 6.53, 0.005)
	if v := logLaw(10, 10, 0, 0.03); math.IsNaN(v) || v < 0 || v > 2 {
		t.Errorf("at the ground: got %v, want a small wind", v)
	}
}

// still makes a craft without events from cfg.
func still(t *testing.T, cfg Config) *Craft {
	t.Helper()
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// bare is the usual craft without wind, drag and tether.
func bare() Config {
	cfg := EightTwo()
	cfg.Wind, cfg.Turbulence, cfg.DragArea, cfg.TetherLength, cfg.LoadCellNoise = 0, 0, 0, 0, 0
	return cfg
}

// Free fall after the power is cut, h = v²/2g and t = √(2h/g) with g =
// 9.80665 (ICAO Doc 7488): from 5 m 1.0098 s and 9.9029 m/s, from 10 m 1.4281 s
// and 14.0047 m/s.
func TestFreeFallAfterPowerCut(t *testing.T) {
	for _, row := range []struct{ height, seconds, speed float64 }{
		{1, 0.4516, 4.4287}, {5, 1.0098, 9.9029}, {10, 1.4281, 14.0047},
	} {
		cfg := bare()
		cfg.SpinDown = tickTime // thrust gone at once
		c := still(t, cfg)
		hoverAt(c, row.height)
		c.cutAt = c.Now()
		start := c.Now()
		var fastest float64
		for !c.body.touching && c.Now() < start+5*time.Second {
			c.Step(tickTime)
			if !c.body.touching {
				fastest = math.Max(fastest, -c.Truth().Climb)
			}
		}
		// The rotors need about 7 time constants of 1 ms to be gone.
		near(t, "time to the ground", (c.Now() - start).Seconds(), row.seconds, 0.004)
		near(t, "speed at the ground", fastest, row.speed, 0.03)
	}
}

// hoverAt puts the craft in mid-air with its rotors carrying it.
func hoverAt(c *Craft, height float64) {
	c.body.pos = vec{0, 0, -height - c.cfg.LegHeight}
	c.body.vel, c.body.touching = vec{}, false
	c.body.acc = vec{}
	for i := range c.rotors {
		r := &c.rotors[i]
		each := c.cfg.weight() / float64(len(c.rotors))
		r.n = math.Sqrt(each / Thrust(c.cfg.ThrustCoefficient, c.cfg.rho, 1, c.cfg.Diameter))
		r.thrust = each
	}
}

// Rotor speed without power falls by the time constant: 1/e after τ.
func TestSpinDown(t *testing.T) {
	c := still(t, bare())
	hoverAt(c, 50)
	before := c.Truth().HighestRPM
	c.cutAt = 0
	c.Step(c.cfg.SpinDown)
	near(t, "share left after one time constant", c.Truth().HighestRPM/before, 1/math.E, 0.002)
	c.Step(8 * c.cfg.SpinDown)
	if got := c.Truth().HighestRPM; got != 0 {
		t.Errorf("rotors after nine time constants: got %.2f rpm, want standstill", got)
	}
}

// The standard equation for impact force (Goldstone; the spring T = k y/L is
// the published part, the closed form follows from the balance of energy):
// T = w + √(w² + 2 k w r) for a fall of r rope lengths.
func TestSnatch(t *testing.T) {
	for _, row := range []struct{ kg, modulus, fall, newton float64 }{
		{80, 20e3, 0, 1569.06}, {80, 20e3, 1.77, 8278.55},
		{5, 8155, 0.5, 683}, {25, 8155, 0.1, 923},
	} {
		cfg := bare()
		cfg.Mass, cfg.TetherLength, cfg.TetherModulus, cfg.TetherDamping = row.kg, 3, row.modulus, 0
		cfg.Unpowered = true
		c := still(t, cfg)
		// A rope that hangs from above: the mass falls from r lengths above the
		// point where it comes tight.
		c.tether.anchor = vec{0, 0, -100}
		c.body.pos = vec{0, 0, -100 + 3 - 3*row.fall}
		c.body.touching = false
		var peak float64
		for range 4000 {
			c.Step(tickTime)
			peak = math.Max(peak, c.tether.tension)
		}
		near(t, "peak tension", peak, row.newton, 0.001*row.newton)
	}
}

// A rope gives back no more than it took: along a bounce the sum of kinetic,
// potential and spring energy never grows.
func TestTetherGivesNoEnergy(t *testing.T) {
	for _, damping := range []float64{0, 20, 400} {
		cfg := bare()
		cfg.TetherDamping, cfg.Unpowered = damping, true
		c := still(t, cfg)
		c.tether.anchor = vec{0, 0, -200}
		c.body.pos, c.body.touching = vec{2, -1, -200 + 4}, false
		energy := func() float64 {
			b := &c.body
			e := b.mass*b.vel.dot(b.vel)/2 - b.mass*Gravity*b.pos.z
			if s := b.pos.sub(c.tether.anchor).length() - c.tether.length; s > 0 {
				e += c.tether.stiffness * s * s / 2
			}
			return e
		}
		start := energy()
		scale := c.body.mass * Gravity * 10
		for i := range 30000 {
			c.Step(tickTime)
			if grown := energy() - start; grown > 1e-3*scale {
				t.Fatalf("damping %v: energy grew by %.3g J after %d ms", damping, grown, i+1)
			}
		}
		if damping > 0 && energy() > start-0.05*scale {
			t.Errorf("damping %v: lost only %.3g J in 30 s", damping, start-energy())
		}
	}
}

// A slack tether pulls nothing and one that has parted never does.
func TestTetherOnlyPulls(t *testing.T) {
	rope := tether{length: 9, stiffness: 4000, damping: 1e5}
	if f := rope.pull(vec{0, 0, -8.9}, vec{0, 0, -3}); f != (vec{}) || rope.tension != 0 {
		t.Errorf("slack: got %v", f)
	}
	if rope.pull(vec{0, 0, -9.01}, vec{0, 0, 3}); rope.tension != 0 {
		t.Errorf("on the way in a rope does not push: got %v N", rope.tension)
	}
	rope.damping = 0
	f := rope.pull(vec{0, 0, -9.5}, vec{})
	near(t, "taut", f.z, 2000, 1e-9)
	rope.parted = true
	if f := rope.pull(vec{0, 0, -9.5}, vec{}); f != (vec{}) || rope.tension != 0 {
		t.Errorf("parted: got %v", f)
	}
}

// StandardTemperature is the standard atmosphere's temperature in °C at an
// elevation in metres (US Standard Atmosphere 1976, below 11 km).
func StandardTemperature(elevation float64) float64 {
	return seaTemperature - lapse*geopotential(elevation) - 273.15
}

// weight is the weight of craft and ballast in newtons.
func (c *Config) weight() float64 { return (c.Mass + c.Ballast) * Gravity }
