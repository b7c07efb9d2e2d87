package lift

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"downhaul/interlock/model/recipe"
	"downhaul/rules/card"
)

// wornIn is the craft with another installed factor: at the same output and voltage it
// gives that share of the thrust for the same power.
func (c paper) wornIn(factor float64) paper {
	c.coefficient *= factor
	c.momentum /= math.Pow(factor, 1.5)
	return c
}

// tableOf is the table of one of its motors on a bench supply, with a lever that is off
// by a share and rows that scatter by noise.
func (c paper) tableOf(t *testing.T, lever, noise, doubt float64, rng *rand.Rand) *Stand {
	t.Helper()
	one := c
	one.motors = 1
	var points []Point
	for u := 0.2; u < 1.01; u += 0.1 {
		volts := c.source
		var thrust, amps float64
		for range 60 {
			g := u * volts * c.perVolt
			thrust = 1.225 * c.coefficient * g * g
			amps = c.momentum * math.Pow(thrust, 1.5) / math.Sqrt(1.225) / volts
			volts = (volts + c.source - 0.02*amps) / 2
		}
		points = append(points, Point{Output: u, Thrust: thrust * lever * (1 + noise*rng.NormFloat64()), Voltage: volts, Current: amps * (1 + noise*rng.NormFloat64())})
	}
	return standOf(t, points, doubt)
}

// campaign counts what forecasts of made-up days were worth.
type campaign struct {
	asked, numbers, held, went, wrong int
	width                             float64
}

func (c *campaign) add(f *Forecast, real, need float64) {
	c.asked++
	s := &f.Next[0]
	if s.Verdict == Go {
		c.went++
		if real < need {
			c.wrong++
		}
	}
	if !s.Numbers {
		return
	}
	c.numbers++
	c.width += (s.free.High - s.free.Low) / 2 / (1 + real)
	if real >= s.free.Low && real <= s.free.High {
		c.held++
	}
}

// Made-up days of crafts on paper whose installed factor lies between 0.75 and 1, with a
// lever that is off within its doubt: few hovers and many, light ones and heavy ones. The
// intervals hold the true reserve with the table and without, no go is false, and two
// hovers with a table tell it as narrowly as three without (two alone tell nothing).
func TestCampaignsWithATable(t *testing.T) {
	days := 24
	if testing.Short() {
		days = 6
	}
	var with, without [2][5]campaign // with a full-output pull or none, by hovers
	for seed := range uint64(days) {
		rng := rand.New(rand.NewPCG(seed, 31))
		within := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
		bare := newPaper()
		bare.coefficient *= within(0.9, 1.3)
		bare.ohms *= within(0.7, 1.5)
		bare.noise = within(0.001, 0.004)
		craft := bare.wornIn(within(0.75, 1))
		const doubt = 0.05
		stand := bare.tableOf(t, 1+doubt/twoSigma*rng.NormFloat64(), 0.005, doubt, rng)
		first, step, pull := within(52, 62), within(3, 6), int(seed%2)
		for n := 2; n <= 4; n++ {
			masses := []float64{first, first + 2*step, first + 3*step, first + 4*step}[:n]
			runs := craft.day(masses...)
			for i := range runs {
				runs[i] = craft.fly(flight{mass: masses[i], seconds: 60, pull: i == 0 && pull == 1, seed: 100*seed + uint64(i), air: runs[i].Air})
			}
			next := masses[n-1] + step
			q := Question{Craft: craft.craft(), Floor: 40, HoverTime: 60, Next: []Step{{Name: "next", Mass: next, Ballast: next - 50}}}
			real := craft.reserveOf(next, 60)
			f := Ask(runs, q)
			without[pull][n].add(&f, real, recipe.Reserve)
			q.Stand = stand
			g := Ask(runs, q)
			with[pull][n].add(&g, real, recipe.Reserve)
			if g.Stand == nil || g.Stand.Aside != "" {
				t.Errorf("day %d, %d hovers: the table is set aside: %+v", seed, n, g.Stand)
			}
			if g.Next[0].Verdict == Go && f.Next[0].Verdict == No {
				t.Errorf("day %d, %d hovers: go with the table, and the flights alone say no", seed, n)
			}
		}
	}
	for _, c := range []struct {
		name string
		of   *[2][5]campaign
	}{{"alone", &without}, {"table", &with}} {
		for pull := range c.of {
			for n := 2; n <= 4; n++ {
				k := &c.of[pull][n]
				t.Logf("%d hovers, pull %d, %s: %d asked, %d with numbers, %d held, half width %.1f %%, %d go, %d of them false", n, pull, c.name, k.asked, k.numbers, k.held, 100*k.mean(), k.went, k.wrong)
				if k.wrong > 0 || k.held < k.numbers-k.numbers/20 {
					t.Errorf("%d hovers, %s: %d go false, %d of %d held", n, c.name, k.wrong, k.held, k.numbers)
				}
			}
		}
	}
	if w := &with[0][2]; w.numbers != w.asked || without[0][2].numbers > 0 || w.mean() > without[0][3].mean() {
		t.Errorf("two hovers with a table: half width %.1f %%, and three without %.1f %%", 100*w.mean(), 100*without[0][3].mean())
	}
	if with[1][2].went+with[1][3].went == 0 {
		t.Error("never go: the test proves nothing")
	}
}

func (c *campaign) mean() float64 { return c.width / math.Max(float64(c.numbers), 1) }

// On the measured tables: a craft whose every motor is the measured one times its
// installed factor hovers on two or three of the lower rows, and the table of the same
// propeller on the same supply, its lever off, tells the upper rows. Over all no go is
// given that full command does not bear, also where the supply gives way.
func TestMeasuredTablesCorrectedByHovers(t *testing.T) {
	names, rows := standRows(t)
	var steps, held, heldAlone, stepsAlone, asked, went int
	var width, widthAlone float64
	factors := []float64{0.75, 0.87, 1}
	if testing.Short() {
		factors = factors[:1]
	}
	for k, name := range names {
		for _, factor := range factors {
			rng := rand.New(rand.NewPCG(uint64(k), 7))
			points := forget(rows[name], false)
			lever := 1 + 0.03*rng.NormFloat64()
			stand := points
			flown := append([]Point(nil), points...)
			for i := range flown {
				flown[i].Thrust *= factor * (1 + 0.004*rng.NormFloat64())
			}
			told := append([]Point(nil), stand...)
			for i := range told {
				told[i].Thrust *= lever * (1 + 0.004*rng.NormFloat64())
			}
			s := standOf(t, told, 0.06)
			n := lowerSteps(points, 6)
			up := flown[n-2 : n]
			in := newInstalled(s, up)
			v := make([][]float64, len(flown)-n)
			for range 300 {
				d := in.draw(rng)
				for i, p := range flown[n:] {
					v[i] = append(v[i], largest(0.1, func(x float64) bool { return d.output(x, p.Density, p.Voltage) <= p.Output }))
				}
			}
			for i, p := range flown[n:] {
				e := interval(v[i])
				steps++
				width += (e.High - e.Low) / 2 / e.Mid
				if p.Thrust >= e.Low && p.Thrust <= e.High {
					held++
				}
			}
			off, half := upperSteps(t, flown[n-3:n], flown[n:])
			for i := range off {
				stepsAlone++
				widthAlone += half[i]
				if math.Abs(off[i]) <= 1 {
					heldAlone++
				}
			}
			top := flown[len(flown)-1].Thrust
			for _, n := range []int{8, len(flown)} {
				for _, share := range []float64{0.45, 0.5, 0.65} {
					weight := share * flown[n-1].Thrust
					f := judgedWith(t, flown[:n], weight, s)
					asked++
					if f.Verdict == Go {
						went++
						if top/weight-1 < recipe.Reserve {
							t.Errorf("%s times %.2f, %d steps: go for %.2f N, and full command gives %.2f N", name, factor, n, weight, top)
						}
					}
				}
			}
		}
	}
	t.Logf("upper steps from two hovers and the table: %d of %d held, half width %.1f %%; from three hovers alone %d of %d, %.1f %%; %d questions, %d go", held, steps, 100*width/float64(steps), heldAlone, stepsAlone, 100*widthAlone/float64(stepsAlone), asked, went)
	if 100*held < 95*steps || width/float64(steps) > widthAlone/float64(stepsAlone) || went == 0 {
		t.Errorf("%d of %d held", held, steps)
	}
}

// judgedWith asks for the verdict on a weight from the rows of a table as hovers, with a
// stand's table beside them.
func judgedWith(t *testing.T, points []Point, weight float64, s *Stand) StepForecast {
	t.Helper()
	return judgedWhat(t, points, weight, s, WhatIf{})
}

func judgedWhat(t *testing.T, points []Point, weight float64, s *Stand, what WhatIf) StepForecast {
	t.Helper()
	supply, why := standSupply(points)
	if why != "" {
		t.Fatal(why)
	}
	points = points[4:] // nothing hovers below that
	f := Forecast{Points: points, Needed: Requirement{Reserve: recipe.Reserve, HoverTime: 1}}
	a := asked{Forecast: &f, steps: stepsOf(points), supply: supply, draws: 100, question: Question{Stand: s, WhatIf: what}}
	for _, p := range points {
		if p.Thrust > a.heaviest.Thrust {
			a.heaviest = p
		}
	}
	a.draw(points, card.Air{})
	if a.refusal.code != 0 {
		t.Fatal(a.Refused)
	}
	return a.step(Step{Name: "next", Mass: weight / Gravity})
}

// A table of another propeller, or with a lever taken twice, is set aside, and says why;
// the forecast is then that of the flights alone.
func TestAWrongTableIsSetAside(t *testing.T) {
	craft := newPaper()
	runs := craft.day(60, 66, 72, 78)
	rng := rand.New(rand.NewPCG(1, 1))
	q := Question{Craft: craft.craft(), Floor: 46, HoverTime: 60, Next: []Step{{Name: "next", Mass: 80, Ballast: 20}}}
	alone := Ask(runs, q)
	for _, lever := range []float64{2, 0.5} {
		q.Stand = craft.tableOf(t, lever, 0.002, 0.05, rng)
		f := Ask(runs, q)
		if f.Stand == nil || !strings.Contains(f.Stand.Aside, "another motor, propeller, lever or mass") || f.Next[0].Reserve != alone.Next[0].Reserve {
			t.Errorf("lever %.1f: %+v, reserve %+v, alone %+v", lever, f.Stand, f.Next[0].Reserve, alone.Next[0].Reserve)
		}
	}
	q.Stand = craft.tableOf(t, 1.02, 0.002, 0.05, rng)
	f := Ask(runs, q)
	if f.Stand == nil || f.Stand.Aside != "" || math.Abs(f.Stand.Factor.Mid-1/1.02) > 0.02 || !(f.Stand.Factor.Low < 1/1.02 && f.Stand.Factor.High > 1/1.02) {
		t.Errorf("%+v", f.Stand)
	}
	if w, a := f.Next[0].Reserve, alone.Next[0].Reserve; w.High-w.Low > a.High-a.Low {
		t.Errorf("with a table %+v, alone %+v", w, a)
	}
}

// Another propeller's table on the craft as it flew: of every two measured propellers at
// 7.4 V whose supply holds, one flies at two loads with its table, and the other's table
// tells what it would lift at full command on that supply, with the same share lost.
func TestWhatAnotherPropellerWouldLift(t *testing.T) {
	names, rows := standRows(t)
	var fair []string
	for _, name := range names {
		if s, why := standSupply(rows[name]); strings.HasSuffix(name, "_7") && why == "" && s.collapse == 0 {
			fair = append(fair, name)
		}
	}
	var asked, held int
	var width float64
	for _, own := range fair {
		for _, other := range fair {
			if own == other {
				continue
			}
			const factor = 0.85
			flown := forget(rows[own], false)
			for i := range flown {
				flown[i].Thrust *= factor
			}
			top := rows[other][len(rows[other])-1]
			w := WhatIf{Table: other, Stand: standOf(t, forget(rows[other], false), 0.03)}
			f := judgedWhat(t, flown, 0.5*factor*top.Thrust, standOf(t, forget(rows[own], false), 0.03), w)
			asked++
			lift := Estimate{Low: (1 + f.free.Low) * f.Weight, High: (1 + f.free.High) * f.Weight}
			width += (lift.High - lift.Low) / 2 / (factor * top.Thrust)
			if lift.Low <= factor*top.Thrust && factor*top.Thrust <= lift.High {
				held++
			} else {
				t.Logf("    %s for %s: %.3f N, told %.3f to %.3f", other, own, factor*top.Thrust, lift.Low, lift.High)
			}
		}
	}
	t.Logf("%d asked, %d held, half width %.1f %%", asked, held, 100*width/float64(asked))
	if asked < 30 || 100*held < 95*asked {
		t.Errorf("%d of %d held", held, asked)
	}
}

// Hovers below the lowest row of a table say nothing of its factor.
func TestHoversBelowTheTable(t *testing.T) {
	craft := newPaper()
	runs := craft.day(60, 66, 72, 78)
	var high []Point
	for u := 0.85; u < 1.01; u += 0.05 {
		g := u * 56 * craft.perVolt
		thrust := 1.225 * craft.coefficient * g * g
		high = append(high, Point{Output: u, Thrust: thrust, Voltage: 56, Current: craft.momentum * math.Pow(thrust, 1.5) / math.Sqrt(1.225) / 56})
	}
	q := Question{Craft: craft.craft(), Floor: 46, HoverTime: 60, Next: []Step{{Name: "next", Mass: 80, Ballast: 20}}}
	alone := Ask(runs, q)
	q.Stand = standOf(t, high, 0.03)
	if f := Ask(runs, q); f.Stand == nil || !strings.Contains(f.Stand.Aside, "fewer than two hovers") || f.Next[0].Reserve != alone.Next[0].Reserve {
		t.Errorf("%+v", f.Stand)
	}
}

// The guard taken off gives back its share of the thrust and its mass.
func TestGuardOff(t *testing.T) {
	craft := newPaper()
	runs := craft.day(60, 66, 72, 78)
	q := Question{Craft: craft.craft(), Floor: 46, HoverTime: 60, Guard: &Guard{Low: 0.05, High: 0.05, Mass: 3}, Next: []Step{{Name: "next", Mass: 85, Ballast: 25}}}
	w, err := ParseWhatIf("guard=off")
	if err != nil || w.Check(q, runs) != nil || w.Check(Question{}, runs) == nil {
		t.Fatal(err, w.Check(q, runs))
	}
	q.WhatIf = w
	real := craft.wornIn(1/0.95).reserveOf(82, 60)
	if r := Ask(runs, q).Next[0]; r.Mass != 82 || math.Abs(r.Reserve.Mid-real) > 0.03 || r.Reserve.Low > real || r.Reserve.High < real {
		t.Errorf("%+v at %.1f kg, and it is %.3f", r.Reserve, r.Mass, real)
	}
	if _, err := ParseWhatIf("guard=on"); err == nil {
		t.Error("guard=on is taken")
	}
	w, _ = ParseWhatIf("table=other.csv")
	if err := w.Check(q, runs); err == nil || !strings.Contains(err.Error(), "--table") {
		t.Error(err)
	}
}
