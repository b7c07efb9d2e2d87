package hazard

import (
	"math"
	"testing"

	"downhaul/rules"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func TestPhysicsAgainstKnownValues(t *testing.T) {
	// Free fall in a vacuum, g = 9.80665 m/s² (worked out from h = v²/2g).
	for _, c := range []struct{ h, v, s float64 }{
		{1, 4.4287, 0.4516}, {5, 9.9029, 1.0098}, {10, 14.0047, 1.4281}, {20, 19.8057, 2.0196}, {30, 24.2569, 2.4735}, {0, 0, 0}, {-1, 0, 0},
	} {
		near(t, "speed of the fall", FallSpeed(c.h), c.v, 5e-5)
		near(t, "time of the fall", fallTime(c.h), c.s, 5e-5)
	}
	// The predicted apex for h 3, v 0, T 0.45, A = g is 4.98585 m: the same
	// climb, as a gain over hover at twice the weight.
	near(t, "runaway", Runaway(2*Gravity, 0.45), 4.98585-3, 1e-5)
	near(t, "runaway without power to spare", Runaway(Gravity/2, 1), 0, 0)
	// A throw on level ground goes v²/g far at 45°; from a height, straight up
	// and back, no less.
	near(t, "throw on the level", throw(10, 0), 100/Gravity, 1e-12)
	near(t, "throw that only falls", throw(0, 7), 0, 0)
	// From 7 m at 10 m/s the best angle, searched for here, gives the same.
	best := 0.0
	for angle := 0.0; angle < math.Pi/2; angle += 1e-4 {
		up, level := 10*math.Sin(angle), 10*math.Cos(angle)
		best = max(best, level*(up+math.Sqrt(up*up+2*Gravity*7))/Gravity)
	}
	near(t, "throw from 7 m", throw(10, 7), best, 1e-5)
}

func TestRopeAgainstPublishedValues(t *testing.T) {
	// 30,000 lb of rope at a factor of 10 works at 3,000 lb
	// (a rope maker's published note on the use of rope).
	near(t, "working load", workingLoad(30000, 10), 3000, 0)
	near(t, "working load of nothing stated", workingLoad(30000, 0), 0, 0)
	// MIL-C-5040H Type III, 550 lbf: worked out for the design factors of the
	// Cordage Institute's CI 1401.
	for _, c := range []struct{ factor, n float64 }{{5, 489.3}, {8, 305.8}, {10, 244.7}, {12, 203.9}, {15, 163.1}} {
		near(t, "type III", workingLoad(550*4.4482216152605, c.factor), c.n, 0.05)
	}
	// The standard equation of a fall into a rope (Goldstone; the final form
	// from memory): w + √(w² + 2 w M r), with M the rope's modulus and r the fall
	// factor. A fall of r·L brings v² = 2 g r L, and k = M/L.
	const l = 3.0
	fall := func(kg, r, modulus float64) float64 {
		return snatch(kg*Gravity, modulus/l, kg, math.Sqrt(2*Gravity*r*l))
	}
	near(t, "80 kg, fall factor 0: twice the weight", fall(80, 0, 20000), 1569.06, 0.01)
	near(t, "80 kg, fall factor 1.77", fall(80, 1.77, 20000), 8278.55, 0.01)
	for _, c := range []struct{ kg, r, n float64 }{{5, 0.1, 336}, {5, 0.5, 683}, {5, 1, 945}, {25, 0.1, 923}} {
		near(t, "type III", fall(c.kg, c.r, 8155), c.n, 1)
	}
	// 12 % at 5 kN on 9 m is 5 kN for 1.08 m.
	k := stiffness(rules.Stretch{Share: 0.12, At: 5000}, 9)
	near(t, "stiffness", k, 5000/1.08, 1e-9)
	near(t, "stiffness of nothing stated", stiffness(rules.Stretch{At: 5000}, 9), 0, 0)
	// Energy: ½ m v² = F²/2k at the working load, and the snatch at that speed
	// with nothing else pulling is the working load.
	v := closingSpeed(2200, 0, k, 45)
	near(t, "energy at the working load", 45*v*v/2, 2200*2200/(2*k), 1e-6)
	near(t, "snatch at the closing speed", snatch(0, k, 45, v), 2200, 1e-9)
	// A spring of k = m swings once in 2π s; a quarter of it is π/2.
	near(t, "time to the greatest pull", peakTime(0, 45, 45, 3), math.Pi/2, 1e-12)
}

// lightCurtain is the two-step rule of ISO 13855 for what finds something d mm
// thick: 2 m/s first, and 1.6 m/s where that gives more than 0.5 m.
func lightCurtain(t, d float64) float64 {
	c := max(0, 8*(d-14)/1000)
	if s := separation(2, t, c); s <= 0.5 {
		return max(s, 0.1)
	}
	return max(separation(walkingSpeed, t, c), 0.5)
}

func TestSeparationAgainstPublishedExamples(t *testing.T) {
	// ISO 13855:2010, 6.2.3: S = 2000 T + 8 (d - 14), for 0.290 + 0.020 + 0.010 s as
	// the times of detector, controller and drive, 14 mm: 640 mm, over 500, so anew at
	// 1600: 512 mm.
	near(t, "the clause, over half a metre", lightCurtain(0.290+0.020+0.010, 14), 0.512, 1e-12)
	// The same clause, 0.165 s, 14 mm: 330 mm, under 500.
	near(t, "the clause, under half a metre", lightCurtain(0.165, 14), 0.330, 1e-12)
	// Worked out: 0.26 s gives 520 mm, then 416, so 500.
	near(t, "between the two speeds", lightCurtain(0.26, 14), 0.5, 1e-12)
	// A calculator's page prints 46,080 mm for 1 m/s, 0.3 s, 128 mm and a margin
	// of 1.2, because it multiplies where it must add: the sum gives 513.6 mm.
	near(t, "a sum, not a product", 1.2*separation(1, 0.3, 0.128), 0.5136, 1e-12)
}
