package craftmodel

import (
	"math"
	"math/rand/v2"
	"time"
)

// gust is one discrete gust of the "1 − cosine" form (MIL-F-8785C 3.7.1.3,
// from memory): v = Vm/2 (1 − cos(π x/dm)) up to the top at dm. Here time
// stands for x, and the way down mirrors the way up, so that the whole gust
// lasts for length and peaks in its middle.
type gust struct {
	start, length time.Duration
	peak          float64
}

func (g gust) at(now time.Duration) float64 {
	if now < g.start || now >= g.start+g.length {
		return 0
	}
	return g.peak / 2 * (1 - math.Cos(2*math.Pi*float64(now-g.start)/float64(g.length)))
}

// wind is the air that moves: a mean with a logarithmic profile, turbulence,
// and gusts along the mean. Turbulence is Dryden's in its first-order form on
// all three axes, which is an Ornstein-Uhlenbeck process and is stepped
// without error: x' = a x + σ √(1 − a²) ξ with a = exp(−U dt / L). (Dryden's
// own lateral and vertical forms are of second order.) A hovering craft meets
// the turbulence at the speed of the mean wind.
type wind struct {
	rng       *rand.Rand
	mean      float64 // m/s at the anemometer
	toNorth   float64 // direction it blows to, unit vector
	toEast    float64
	z0        float64 // roughness length, m
	measured  float64 // height of the anemometer, m
	intensity float64 // multiple of the published turbulence
	u, v, w   float64 // unit-variance turbulence
	gusts     []gust
	now       time.Duration
	gustNow   float64

	cup      float64 // speed the cups show, m/s
	distance float64 // distance constant of the cups, m
}

func newWind(c *Config, rng *rand.Rand) wind {
	w := wind{
		rng: rng, z0: c.Roughness, measured: c.AnemometerHeight,
		intensity: c.Turbulence, distance: c.CupDistance,
	}
	w.set(c.Wind, c.WindFrom)
	w.u, w.v, w.w = rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
	w.cup = w.speedAtCups()
	return w
}

// set changes the mean wind: speed in m/s at the anemometer, and the direction
// in radians from north that it comes from.
func (w *wind) set(speed, from float64) {
	w.mean = speed
	s, c := math.Sincos(from + math.Pi)
	w.toNorth, w.toEast = c, s
}

// windStep is how often the turbulence is drawn anew.
const windStep = 10 * time.Millisecond

func (w *wind) draw() {
	along, vertical := drydenLength(w.measured)
	dt := windStep.Seconds()
	step := func(x, length float64) float64 {
		a := math.Exp(-w.mean * dt / length)
		return a*x + math.Sqrt(1-a*a)*w.rng.NormFloat64()
	}
	w.u = step(w.u, along)
	w.v = step(w.v, along)
	w.w = step(w.w, vertical)
	live := w.gusts[:0]
	for _, g := range w.gusts {
		if w.now < g.start+g.length {
			live = append(live, g)
		}
	}
	w.gusts = live
}

// step moves the air on by dt seconds to now.
func (w *wind) step(now time.Duration, dt float64) {
	w.now = now
	if now%windStep == 0 {
		w.draw()
	}
	w.gustNow = 0
	for _, g := range w.gusts {
		w.gustNow += g.at(now)
	}
	// A cup anemometer follows with a distance constant: τ = l0/U, 63 % of a
	// step after τ (published answers on a first-class cup anemometer).
	u := w.speedAtCups()
	if w.distance > 0 {
		w.cup += (u - w.cup) * (1 - math.Exp(-u*dt/w.distance))
	} else {
		w.cup = u
	}
}

// at is the velocity of the air at a height above ground.
func (w *wind) at(height float64) vec {
	if w.mean == 0 && w.gustNow == 0 {
		return vec{}
	}
	// A gust is given at the anemometer and follows the same profile.
	along := logLaw(w.mean+w.gustNow, w.measured, height, w.z0)
	var across, down float64
	if w.intensity > 0 {
		s, sv := drydenSigma(height, logLaw(w.mean, w.measured, 20*foot, w.z0))
		along += w.intensity * s * w.u
		across = w.intensity * s * w.v
		down = w.intensity * sv * w.w
	}
	return vec{
		along*w.toNorth - across*w.toEast,
		along*w.toEast + across*w.toNorth,
		down,
	}
}

func (w *wind) speedAtCups() float64 { return w.at(w.measured).horizontal() }
