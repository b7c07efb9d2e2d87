package lift

import (
	"math"
	"math/rand/v2"

	"downhaul/rules/card"
)

// paper is a craft on paper, with nothing in it but the laws: T = C·ρ·n² with
// rotor speed in proportion to output × voltage, P = T^1.5/√(2ρA) over an
// efficiency (momentum theory), and a source behind a resistance.
type paper struct {
	motors                         int
	perVolt, coefficient, momentum float64 // rev/s a volt; m⁴; W·√(kg/m³)/N^1.5
	source, ohms, fall             float64
	noise                          float64
}

func newPaper() paper {
	const disc, efficiency = 0.636, 0.6
	return paper{
		motors: 8, perVolt: 0.92, coefficient: 0.0656, momentum: 1 / math.Sqrt(2*disc) / efficiency,
		source: 58, ohms: 0.016, fall: 8e-5, noise: 0.002,
	}
}

// hover is output, current and voltage that hold the thrust.
func (c paper) hover(thrust, rho, source float64) (output, amps, volts float64) {
	one := thrust / float64(c.motors)
	watts := float64(c.motors) * c.momentum * math.Pow(one, 1.5) / math.Sqrt(rho)
	volts = (source + math.Sqrt(source*source-4*c.ohms*watts)) / 2
	speed := math.Sqrt(one / (rho * c.coefficient))
	return speed / (c.perVolt * volts), watts / volts, volts
}

// most is the thrust at full output, by its own fixed point.
func (c paper) most(rho, source float64) float64 {
	low, high := 0.0, 1e5
	for range 80 {
		mid := (low + high) / 2
		if u, _, _ := c.hover(mid, rho, source); u < 1 { // NaN past the pack's power
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// flight is a run that idles, hovers, pulls for a while at full output against
// the tether where pull is set, and idles again.
type flight struct {
	mass, seconds, height float64
	pull                  bool
	pullSeconds           float64 // 0 is 4
	every                 float64 // s between samples
	repeat                int     // how often each sample is told
	air                   card.Air
	seed                  uint64
	down                  bool // full output on the ground in place of the hover
}

func (c paper) fly(f flight) Run {
	if f.every == 0 {
		f.every = 0.1
	}
	if f.pullSeconds == 0 {
		f.pullSeconds = 4
	}
	if f.height == 0 {
		f.height = 4
	}
	rng := rand.New(rand.NewPCG(f.seed, 5))
	r := Run{Name: "on paper", Mass: f.mass, Air: f.air, Outputs: make([]Series, c.motors)}
	rho := density(f.air)
	// What hovers of one flight share: a gust's worth of output.
	shared := 1 + c.noise*rng.NormFloat64()
	var charge float64
	put := func(s *Series, t, v float64) {
		for range max(f.repeat, 1) {
			s.T, s.V = append(s.T, t), append(s.V, v)
		}
	}
	last := 10 + f.seconds + 15
	if f.pull {
		last += f.pullSeconds
	}
	for i := 0; float64(i)*f.every < last; i++ {
		t := float64(i) * f.every
		u, amps, volts := 0.1, 2.0, c.source-c.fall*charge-2*c.ohms
		height, tension, landed := 0.0, 0.0, 1.0
		source := c.source - c.fall*charge
		switch {
		case t >= 10 && t < 10+f.seconds && f.down:
			u = 1
			_, amps, volts = c.hover(c.most(rho, source), rho, source)
		case t >= 10 && t < 10+f.seconds:
			u, amps, volts = c.hover(f.mass*Gravity, rho, source)
			height, landed = f.height, 0
		case f.pull && t >= 10+f.seconds && t < 10+f.seconds+f.pullSeconds:
			thrust := c.most(rho, source)
			u, amps, volts = c.hover(thrust, rho, source)
			height, landed, tension = 8, 0, thrust-f.mass*Gravity
		}
		charge += amps * f.every
		for k := range r.Outputs {
			put(&r.Outputs[k], t, math.Min(u*shared*(1+0.3*c.noise*rng.NormFloat64()), 1))
		}
		put(&r.Voltage, t, volts+0.02*rng.NormFloat64())
		put(&r.Current, t, amps+0.1*rng.NormFloat64())
		put(&r.Height, t, height)
		put(&r.Climb, t, 0.02*rng.NormFloat64())
		put(&r.Tension, t, tension+2*rng.NormFloat64())
		put(&r.Slant, t, height)
		put(&r.Armed, t, 1)
		put(&r.Landed, t, landed)
	}
	return r
}

// day is flights at the masses, the first with a pull.
func (c paper) day(masses ...float64) (runs []Run) {
	for i, m := range masses {
		runs = append(runs, c.fly(flight{mass: m, seconds: 60, pull: i == 0, seed: uint64(i + 1), air: card.Air{Celsius: 15, Pressure: 101325, Told: true}}))
	}
	return runs
}

func (c paper) craft() Craft {
	return Craft{Motors: c.motors, Width: 3.4, RotorHeight: 0.45, Cells: 14, Packs: 1}
}

func ask(runs []Run, c Craft, masses ...float64) Forecast {
	q := Question{Craft: c, Floor: 46, HoverTime: 60}
	for _, m := range masses {
		q.Next = append(q.Next, Step{Mass: m, Ballast: m - 60})
	}
	return Ask(runs, q)
}
