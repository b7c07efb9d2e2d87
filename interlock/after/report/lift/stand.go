package lift

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"downhaul/interlock/records/standtable"
)

// Stand is a table of a thrust stand as the law of thrust takes it.
type Stand struct {
	file string
	// Hash is the SHA-256 of the table's bytes.
	Hash [32]byte
	law  *law
	// doubt is how far all thrusts together may be off, as a standard deviation (share);
	// rho the air's density on the stand, clean the thrust above which the propeller leaves
	// its own law, N, 0 where it does not.
	doubt, rho, clean float64
	volts             float64 // of the rows, in the mean
	least             float64 // output × voltage of the lowest row, V
	// drive and power are the rows as knots of the law's lines (see law), own by how much
	// each may be beside a smooth curve, a share.
	drive, power []knot
	own          []float64
	top          Point // the row of most thrust
}

const (
	// leastRow is the share of the table's most thrust below which a row tells of the
	// motor's idling and the cell's drift.
	leastRow = 0.05
	// bentMid and bentUnsure are how a controller's output bends against the voltage, and
	// its standard deviation: from the shared tables, one propeller at two voltages from
	// 65 % of output on (TestATableTellsThrustAtAnotherVoltage). At less output measured
	// controllers bend up to three times as much.
	bentMid, bentUnsure = 0.08, 0.10
	// twoSigma is a doubt's 95 % over its standard deviation.
	twoSigma = 1.96
)

// NewStand fits the law to the rows of a table. why says what of it has no law; empty
// when there is one.
func NewStand(t *standtable.Table) (s *Stand, why string) {
	j := standtable.Judge(t)
	if j.Refused() {
		return nil, "its rows are refused (downhaul thrust table tells why)"
	}
	s = &Stand{file: t.Name, Hash: t.Hash, doubt: t.Doubt / twoSigma, rho: t.Density()}
	if !t.Air.Told {
		s.doubt = math.Hypot(s.doubt, unsureAir)
	}
	off := map[int]bool{}
	for _, f := range j.Findings {
		off[f.Line] = off[f.Line] || f.Code == standtable.OffLaw || f.Code == standtable.NotSteady || f.Code == standtable.Jumps
	}
	most := 0.0
	for i := range t.Rows {
		most = math.Max(most, t.Rows[i].Thrust.Value)
	}
	var points []Point
	past := 0.0 // output × voltage of the least row that left the law
	for i := range t.Rows {
		r := &t.Rows[i]
		if r.Thrust.Value < leastRow*most || !(r.Output.Value > 0) || !(r.Power.Value > 0) {
			continue
		}
		if given := r.Output.Value * r.Voltage.Value; off[r.Line] {
			past = math.Max(past, given)
			continue
		}
		p := Point{Kind: Hover, Motors: 1, Thrust: r.Thrust.Value, Output: r.Output.Value, Voltage: r.Voltage.Value,
			Current: r.Power.Value / r.Voltage.Value, Density: s.rho, Worst: 1, Scatter: standError(r)}
		s.volts += p.Voltage
		if given := p.Output * p.Voltage; s.least == 0 || given < s.least {
			s.least = given
		}
		if points = append(points, p); p.Thrust > s.top.Thrust {
			s.top = p
		}
	}
	s.volts /= math.Max(float64(len(points)), 1)
	if past > s.top.Output*s.top.Voltage {
		s.clean = s.top.Thrust
	}
	if len(points) < fewestHovers || s.top.Output < 0.4 {
		return nil, "fewer than three sound rows with output, thrust, voltage and power, up to 40 % of output at the least"
	}
	if s.law, why = newLaw(points); why != "" {
		return nil, "its rows have no law: " + why
	}
	slices.SortStableFunc(points, func(a, b Point) int { return cmp.Compare(a.Thrust, b.Thrust) })
	for _, p := range points {
		g := math.Sqrt(p.Thrust / s.rho)
		if n := len(s.drive); n > 0 && s.rho*g < s.drive[n-1].x*(1+1e-6) {
			continue // a second row of one thrust
		}
		s.drive = append(s.drive, knot{s.rho * g, p.Output * p.Voltage / g})
		s.power = append(s.power, knot{s.rho * g, p.Voltage * p.Current * math.Sqrt(s.rho) / math.Pow(p.Thrust, 1.5)})
		s.own = append(s.own, math.Hypot(leastScatter, p.Scatter))
	}
	return s, ""
}

// standError is the share by which a row's mean is unsure, as output × voltage.
func standError(r *standtable.Row) float64 {
	if !r.Thrust.HasSpread || r.Thrust.Value == 0 {
		return 0
	}
	return r.Thrust.Spread / r.Thrust.Value / math.Sqrt(math.Max(float64(r.Count), 1)) / 2
}

// draw is one motor on a stand that the table allows: a line through its rows, each
// beside its place by chance, and beyond the last as the law has it. Its thrusts are the
// true ones, the common doubt drawn.
func (s *Stand) draw(rng *rand.Rand) drawnLaw {
	d := s.law.draw(rng)
	through := func(rows []knot, least float64) []knot {
		out := make([]knot, len(rows))
		for i, k := range rows {
			out[i] = knot{k.x, k.y * (1 + math.Hypot(least, s.own[i])*rng.NormFloat64())}
		}
		return out
	}
	d.drive.rows, d.power.rows = through(s.drive, 0), through(s.power, leastPower)
	d.told, d.bent = s.volts, bentMid+bentUnsure*rng.NormFloat64()
	d.installed = math.Max(1+s.doubt*rng.NormFloat64(), 0.3)
	return d
}

// bareAt is the thrust of the law itself at an output and a voltage.
func (d *drawnLaw) bareAt(output, rho, volts float64) float64 {
	w := output * volts
	if d.bent != 0 {
		w *= math.Pow(volts/d.told, d.bent)
	}
	// w = g·drive(ρ·g) grows with g: halving between a tenth and ten times the g of the
	// lowest knot and of the highest.
	low, high := 0.1*d.drive.rows[0].x/rho, 10*d.drive.rows[len(d.drive.rows)-1].x/rho
	for range 40 {
		if g := (low + high) / 2; g*d.drive.at(rho*g) <= w {
			low = g
		} else {
			high = g
		}
	}
	return rho * low * low
}
