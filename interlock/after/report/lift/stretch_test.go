package lift

import (
	"strings"
	"testing"
)

// Ground effect by Cheeseman and Bennett, 1/(1 − (R/4z)²): 1.067 at half a width
// (z = R) and 1.016 at a whole one (computed from the formula).
func TestGroundEffect(t *testing.T) {
	near(t, "at z = R", groundEffect(1, 1), 1.0667, 0.0001)
	near(t, "at z = 2R", groundEffect(1, 2), 1.0159, 0.0001)
	near(t, "far away", groundEffect(1, 50), 1, 0.0001)
}

func TestOneHoverIsOnePoint(t *testing.T) {
	c := newPaper()
	for _, f := range []flight{
		{mass: 70, seconds: 30, seed: 1}, {mass: 70, seconds: 240, seed: 1},
		{mass: 70, seconds: 60, every: 0.05, seed: 1}, {mass: 70, seconds: 60, repeat: 5, seed: 1},
	} {
		r := c.fly(f)
		points, unused := r.Points(c.craft())
		if len(points) != 1 || points[0].Kind != Hover {
			t.Fatalf("%+v: want one hover, got %d points, %v", f, len(points), unused)
		}
		p := points[0]
		near(t, "thrust", p.Thrust, 70*Gravity, 0.01*70*Gravity)
		near(t, "how long", p.To-p.From, f.seconds, 1.1)
	}
}

// Telling every sample five times over makes nothing surer.
func TestMoreSamplesOfTheSameHoversAreNoMoreEvidence(t *testing.T) {
	c := newPaper()
	width := func(repeat int) float64 {
		var runs []Run
		for i, m := range []float64{60, 70, 80, 90} {
			runs = append(runs, c.fly(flight{mass: m, seconds: 60, pull: i == 0, seed: uint64(i), repeat: repeat}))
		}
		f := ask(runs, c.craft(), 95)
		if f.Fit == nil || f.Fit.Freedom != f.Fit.Hovers-2 {
			t.Fatalf("no fit, or a wrong freedom: %+v %s", f.Fit, f.Refused)
		}
		return f.Next[0].Output.High - f.Next[0].Output.Low
	}
	near(t, "width of the interval over the plain one", width(5)/width(1), 1, 0.02)
}

func TestWhatIsNoHover(t *testing.T) {
	c := newPaper()
	for _, x := range []struct {
		name   string
		change func(*Run)
		flight flight
		says   string
	}{
		{"too short", nil, flight{seconds: 4}, "no steady hover"},
		{"in ground effect", nil, flight{seconds: 30, height: 0.9}, "no steady hover"},
		{"climbing all the way", func(r *Run) {
			for i := range r.Climb.V {
				r.Climb.V[i] += 0.3
			}
		}, flight{seconds: 30}, "climbed"},
		{"on the ground, as the craft says", func(r *Run) {
			for i := range r.Landed.V {
				r.Landed.V[i] = 1
			}
		}, flight{seconds: 30}, "no steady hover"},
		{"disarmed", func(r *Run) {
			for i := range r.Armed.V {
				r.Armed.V[i] = 0
			}
		}, flight{seconds: 30}, "no steady hover"},
		{"height unknown", func(r *Run) { r.Height = Series{} }, flight{seconds: 30}, "no steady hover"},
		{"mass unknown", func(r *Run) { r.Mass = 0 }, flight{seconds: 30}, "mass is not known"},
		{"no voltage", func(r *Run) { r.Voltage = Series{} }, flight{seconds: 30}, "no pack voltage"},
		{"no outputs", func(r *Run) { r.Outputs = nil }, flight{seconds: 30}, "no motor outputs"},
		{"a motor that is not told", func(r *Run) { r.Outputs = r.Outputs[1:] }, flight{seconds: 30}, "7 motor outputs"},
		{"outputs that swing", func(r *Run) {
			for k := range r.Outputs {
				for i, at := range r.Outputs[k].T {
					if int(at)%2 == 0 {
						r.Outputs[k].V[i] *= 0.7
					}
				}
			}
		}, flight{seconds: 30}, "not steady"},
		{"a tether that jerks", func(r *Run) {
			for i, at := range r.Tension.T {
				if at > 10 && int(at)%2 == 0 {
					r.Tension.V[i] = 200
				}
			}
		}, flight{seconds: 30}, "no steady hover"},
		{"pulled sideways", func(r *Run) {
			for i, at := range r.Tension.T {
				r.Slant.V[i] = 8
				if at > 10 {
					r.Tension.V[i] = 200
				}
			}
		}, flight{seconds: 30}, "sideways"},
	} {
		t.Run(x.name, func(t *testing.T) {
			x.flight.mass = 70
			r := c.fly(x.flight)
			if x.change != nil {
				x.change(&r)
			}
			points, unused := r.Points(c.craft())
			if len(points) > 0 || !strings.Contains(strings.Join(unused, "; "), x.says) {
				t.Errorf("want no point and %q, got %d points and %q", x.says, len(points), unused)
			}
		})
	}
}

func TestTetherPullCountsAsLoad(t *testing.T) {
	c := newPaper()
	r := c.fly(flight{mass: 60, seconds: 30, pull: true, seed: 3})
	points, _ := r.Points(c.craft())
	if len(points) != 2 || points[1].Kind != Pull {
		t.Fatalf("want a hover and a pull, got %+v", points)
	}
	most := c.most(unknownDensity, c.source-c.fall*30*110)
	near(t, "thrust in the pull", points[1].Thrust, most, 0.01*most)
	if points[1].Output < full {
		t.Errorf("output in the pull: %v", points[1].Output)
	}
}

func TestAttemptOnTheGround(t *testing.T) {
	c := newPaper()
	r := c.fly(flight{mass: 160, seconds: 3, down: true})
	points, _ := r.Points(c.craft())
	if len(points) != 1 || points[0].Kind != Attempt {
		t.Fatalf("want one attempt, got %+v", points)
	}
	near(t, "what it did not reach", points[0].Thrust, 160*Gravity, 0.01*160*Gravity)
	near(t, "output", points[0].Output, 1, 0.01)
}

// A gust that the outputs answer for two seconds parts a hover in two stretches,
// and they are one point still; two hovers with a landing in between are two.
func TestAGustMakesNoSecondHover(t *testing.T) {
	c := newPaper()
	r := c.fly(flight{mass: 70, seconds: 60, seed: 1})
	for k := range r.Outputs {
		for i, at := range r.Outputs[k].T {
			if at >= 40 && at < 42 {
				r.Outputs[k].V[i] *= 1.3
			}
		}
	}
	points, _ := r.Points(c.craft())
	if len(points) != 1 || points[0].From > 12 || points[0].To < 68 {
		t.Errorf("want one hover from 10 to 70 s, got %+v", points)
	}
	want, _, _ := c.hover(70*Gravity, unknownDensity, c.source-c.fall*30*150)
	near(t, "output, the gust left out", points[0].Output, want, 0.006)
	for i, at := range r.Height.T {
		if at >= 30 && at < 50 {
			r.Height.V[i], r.Landed.V[i] = 0, 1
		}
	}
	if points, _ = r.Points(c.craft()); len(points) != 2 {
		t.Errorf("want two hovers, got %d", len(points))
	}
}

// A battery that is told once in a while: what was told before the pull does not
// stand for the sagged voltage in it.
func TestPullNeedsItsOwnVoltage(t *testing.T) {
	c := newPaper()
	r := c.fly(flight{mass: 60, seconds: 30, pull: true, seed: 3})
	var v Series
	for i, at := range r.Voltage.T {
		if at < 39.9 || at > 45 {
			v.T, v.V = append(v.T, at), append(v.V, r.Voltage.V[i])
		}
	}
	r.Voltage = v
	for _, p := range func() []Point { p, _ := r.Points(c.craft()); return p }() {
		if p.Kind == Pull {
			t.Errorf("a pull without a voltage of its own counts: %+v", p)
		}
	}
}
