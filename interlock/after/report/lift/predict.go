package lift

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// draws is how many crafts that the data allow are asked: the ends of a 95 %
	// interval then lie within about a twentieth of its width.
	draws = 2000
	// fewDraws will do for a search that asks again and again.
	fewDraws = 400
	// seed makes every forecast of the same data the same.
	seed = 0x646f776e6861756c
	// unsureAir is the density of an air that nobody told, as a share: some 6 °C.
	unsureAir = 0.02
	// confidence of every interval.
	confidence = 0.95
)

// machine is the craft to forecast: the law of one motor and the pack, with what
// if's changes.
type machine struct {
	motors, cells, packs float64 // the last two as shares of what flew
	thrust, ohms         float64 // factors
	limit                float64 // the mean output at which the hardest working motor is full
	collapse             float64 // A, 0 none
	clean                float64 // N, the most of one motor; 0 is not stated
}

// sample is one craft that the data allow, on one day that may come.
type sample struct {
	law              drawnLaw
	resting          float64 // V, before the flight
	ohms, slow, fall float64
	rho              float64
}

// samples draws crafts and drops those that would have lifted an attempt that
// stayed on the ground. kept is the share that was kept.
func takeSamples(l drawer, stream int, s *supply, attempts []Point, resting, rho float64, airTold bool, n int) (out []sample, kept float64) {
	rng := newRandom(uint64(stream))
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: s.freedom, Src: rng}
	tries := 0
	for ; len(out) < n && tries < 50*n; tries++ {
		d := sample{law: l.draw(rng), rho: rho}
		d.ohms = math.Max(s.ohms+s.ohmsUnsure*t.Rand(), 0.2*s.ohms)
		d.slow = math.Max(s.slow+s.slowUnsure*t.Rand(), 0)
		d.fall = math.Max(s.fall+s.fallUnsure*t.Rand(), 0.1*s.fall)
		d.resting = resting * (1 + assumedResting*rng.NormFloat64())
		if !airTold {
			d.rho *= 1 + unsureAir*rng.NormFloat64()
		}
		if !d.lifts(attempts) {
			out = append(out, d)
		}
	}
	return out, float64(len(out)) / math.Max(float64(tries), 1)
}

// lifts reports whether this craft would have lifted one of the attempts, at the
// voltage that was measured in it.
func (d *sample) lifts(attempts []Point) bool {
	for _, p := range attempts {
		one := p.Thrust / float64(p.Motors)
		if d.law.output(one, p.Density, p.Voltage) < p.Output {
			return true
		}
	}
	return false
}

// state is what a load does to the pack.
type state struct {
	output, amps, volts float64
	ok                  bool
}

// volts under a power: V = (E + √(E² − 4RP))/2; not ok past the most the pack
// can give.
func loaded(e, ohms, watts float64) (volts float64, ok bool) {
	q := e*e - 4*ohms*watts
	return (e + math.Sqrt(math.Max(q, 0))) / 2, q >= 0
}

// hover is the state that holds the thrust when the pack would rest at e volts,
// the slow sag settled.
func (m *machine) hover(d *sample, thrust, e float64) state {
	return m.under(d, thrust, e, m.packOhms(d.ohms+d.slow))
}

// under is the state that holds the thrust on a source of e volts.
func (m *machine) under(d *sample, thrust, e, ohms float64) state {
	if !(e > 0) {
		return state{output: outOfReach} // an empty pack
	}
	one := thrust / m.motors
	watts := m.motors * d.law.watts(one, d.rho)
	volts, ok := loaded(e, ohms, watts)
	return state{output: math.Min(d.law.output(one/m.thrust, d.rho, volts), outOfReach), amps: watts / volts, volts: volts, ok: ok}
}

// outOfReach stands for an output that no motor has.
const outOfReach = 10

func (m *machine) packOhms(ohms float64) float64 { return ohms * m.cells / m.packs * m.ohms }
func (m *machine) rest(d *sample) float64        { return d.resting * m.cells }
func (m *machine) drawnTo(d *sample, charge float64) float64 {
	return m.rest(d) - d.fall*m.cells/m.packs*charge
}

// most is the largest thrust up to the limit of output and the state then, for
// the seconds in which the slow sag is still that of the hover before, which is
// in e. Its current sags the pack, and the sag lessens the thrust: the thrust at
// which the output just reaches the limit is that fixed point, found by halving.
// The more thrust, the more output it takes, so there is only one.
func (m *machine) most(d *sample, e float64) (float64, state) {
	ohms := m.packOhms(d.ohms)
	thrust := largest(m.motors, func(thrust float64) bool {
		s := m.under(d, thrust, e, ohms)
		return s.ok && s.output <= m.limit && (m.clean <= 0 || thrust <= m.clean*m.motors)
	})
	return thrust, m.under(d, thrust, e, ohms)
}

// carried is the largest thrust at that current, on a source of e volts.
func (m *machine) carried(d *sample, e, amps float64) float64 {
	ohms := m.packOhms(d.ohms)
	return largest(m.motors, func(thrust float64) bool { return m.under(d, thrust, e, ohms).amps < amps })
}

// largest is the largest thrust that is within, for what holds below one thrust
// and not above it. start is a small one, in N.
func largest(start float64, within func(thrust float64) bool) float64 {
	low, high := 1e-6, start
	for range 40 {
		if !within(high) {
			break
		}
		low, high = high, 2*high
	}
	for range 36 {
		if mid := (low + high) / 2; within(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// interval is the median and the 95 % interval of the values, which it sorts.
func interval(v []float64) Estimate {
	if len(v) == 0 {
		return Estimate{}
	}
	slices.Sort(v)
	at := func(q float64) float64 {
		x := q * float64(len(v)-1)
		i := min(int(x), len(v)-2)
		if i < 0 {
			return v[0]
		}
		return v[i] + (x-float64(i))*(v[i+1]-v[i])
	}
	return Estimate{Mid: at(0.5), Low: at((1 - confidence) / 2), High: at((1 + confidence) / 2)}
}

// student is the factor of a 95 % interval with so many degrees of freedom.
func student(freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + confidence) / 2)
}

// newRandom is a stream of random numbers that is the same every time.
func newRandom(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
