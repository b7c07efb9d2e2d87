package lift

import (
	"math"
	"sort"
)

// binTime is the length of one bin, s. All series are averaged into the same
// bins, so that what belongs together stands together.
const binTime = 0.5

// holdTime is how long a slow message's last value stands in for it, s: a
// landed or battery message comes once a second and may be lost once.
const holdTime = 2.5

// bins is a run on a common grid. A channel that was not told is all NaN.
type bins struct {
	start, end float64
	n          int
	// square is the mean over motors and samples of output², speed² likewise.
	square, speedSquare []float64
	motors              [][]float64 // mean square output by motor
	voltage             []float64
	height, climb, tilt []float64
	tension, slant      []float64
	armed, landed       []float64
	tensionVariance     []float64
	// given is output × voltage, calmClimb the climb over two seconds.
	given, calmClimb []float64
}

func (r *Run) bin() bins {
	b := bins{start: math.Inf(1), end: math.Inf(-1)}
	for _, s := range r.Outputs {
		if len(s.T) > 0 {
			b.start, b.end = math.Min(b.start, s.T[0]), math.Max(b.end, s.T[len(s.T)-1])
		}
	}
	if !(b.end > b.start) {
		return bins{}
	}
	b.n = int(math.Min((b.end-b.start)/binTime, 1e6)) + 1
	id := func(v float64) float64 { return v }
	sq := func(v float64) float64 { return v * v }
	for _, s := range r.Outputs {
		b.motors = append(b.motors, b.mean(s, sq))
	}
	b.square = average(b.motors)
	var speeds [][]float64
	for _, s := range r.Speeds {
		speeds = append(speeds, b.mean(s, sq))
	}
	b.speedSquare = average(speeds)
	b.voltage = b.mean(r.Voltage, id)
	b.height, b.climb, b.tilt = b.mean(r.Height, id), b.mean(r.Climb, id), b.mean(r.Tilt, math.Cos)
	b.tension, b.slant = b.mean(r.Tension, id), b.mean(r.Slant, id)
	b.armed, b.landed = b.mean(r.Armed, id), b.mean(r.Landed, id)
	b.given = make([]float64, b.n)
	for i := range b.given {
		b.given[i] = math.Sqrt(b.square[i]) * b.voltage[i]
	}
	b.calmClimb = calmed(b.climb)
	tt := b.mean(r.Tension, sq)
	b.tensionVariance = make([]float64, b.n)
	for i := range tt {
		b.tensionVariance[i] = math.Max(tt[i]-b.tension[i]*b.tension[i], 0)
	}
	return b
}

func (b *bins) at(t float64) int   { return int(math.Floor((t - b.start) / binTime)) }
func (b *bins) time(i int) float64 { return b.start + float64(i)*binTime }

// mean averages of(v) into the bins. A bin without a sample takes the last one,
// as long as that is not too old.
func (b *bins) mean(s Series, of func(float64) float64) []float64 {
	out := make([]float64, b.n)
	count := make([]int, b.n)
	for i, t := range s.T {
		if k := b.at(t); i < len(s.V) && k >= 0 && k < b.n && !math.IsNaN(s.V[i]) {
			out[k] += of(s.V[i])
			count[k]++
		}
	}
	// The last sample before the grid counts as well.
	last, old := math.NaN(), 0
	if i := sort.SearchFloat64s(s.T, b.start) - 1; i >= 0 && i < len(s.V) && b.start-s.T[i] <= holdTime {
		last = of(s.V[i])
	}
	for k := range out {
		switch {
		case count[k] > 0:
			out[k] /= float64(count[k])
			last, old = out[k], 0
		case float64(old)*binTime < holdTime:
			out[k] = last
			old++
		default:
			out[k] = math.NaN()
		}
	}
	return out
}

// calmed is the mean over the two seconds around each bin.
func calmed(v []float64) []float64 {
	const half = int(1 / binTime)
	out := make([]float64, len(v))
	for k := range v {
		out[k] = over(v, max(k-half, 0), min(k+half+1, len(v)))
	}
	return out
}

// average is the mean over several channels, bin by bin; NaN where one is
// missing, nil of none.
func average(all [][]float64) []float64 {
	if len(all) == 0 {
		return nil
	}
	out := make([]float64, len(all[0]))
	for _, one := range all {
		for k, v := range one {
			out[k] += v / float64(len(all))
		}
	}
	return out
}

// over is the mean of v over the bins from up to to that hold a value; NaN when
// none does.
func over(v []float64, from, to int) float64 {
	sum, n := 0.0, 0
	for k := from; k < to && k < len(v); k++ {
		if !math.IsNaN(v[k]) {
			sum += v[k]
			n++
		}
	}
	return sum / float64(n)
}

// spread is the standard deviation of v over the bins, 0 of fewer than two.
func spread(v []float64, from, to int) float64 {
	m, sum, n := over(v, from, to), 0.0, 0
	for k := from; k < to && k < len(v); k++ {
		if !math.IsNaN(v[k]) {
			sum += (v[k] - m) * (v[k] - m)
			n++
		}
	}
	if n < 2 {
		return 0
	}
	return math.Sqrt(sum / float64(n-1))
}
