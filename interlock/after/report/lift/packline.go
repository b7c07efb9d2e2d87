package lift

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// packLine is a least-squares fit of the rows.
type packLine struct {
	ohms, slow, fall float64
	tau              int // of slowTimes
	scatter          float64
	resting          map[int]float64
	ok               bool
}

// drop is how far the row lies below its run's resting voltage.
func (p *packLine) drop(r *loadRow) float64 {
	return p.fall*r.charge + p.ohms*r.amps + p.slow*r.slow[p.tau]
}

// solveRows fits V = E_run − k·Q − R·I − S·z to the rows in use, leaving one run
// out (−1: none), by least squares on the differences from each run's means. No
// coefficient may be negative: of all choices of terms that keep to that, each
// with R, the one with the least left over is taken.
func solveRows(rows []loadRow, without int) packLine {
	best := packLine{}
	least := math.Inf(1)
	for tau := range slowTimes {
		m := newMoments(rows, without, tau)
		for _, terms := range [][]int{{0}, {0, 1}, {0, 2}, {0, 1, 2}} {
			c, left, ok := m.solve(terms)
			if !ok || left >= least {
				continue
			}
			least = left
			best = packLine{ohms: c[0], slow: c[1], fall: c[2], tau: tau, scatter: math.Sqrt(left / m.freedom), ok: true}
		}
	}
	if best.ok {
		best.rest(rows, without)
	}
	return best
}

// rest fills in the resting voltage of each run, at no charge drawn.
func (p *packLine) rest(rows []loadRow, without int) {
	p.resting = map[int]float64{}
	n := map[int]float64{}
	for i := range rows {
		if r := &rows[i]; r.used && r.run != without {
			n[r.run]++
			p.resting[r.run] += (r.volts + p.drop(r) - p.resting[r.run]) / n[r.run]
		}
	}
}

// moments are the sums of squares and products of current, slow current, charge
// and (last) voltage about the means of each run.
type moments struct {
	s       [4][4]float64
	freedom float64
}

func newMoments(rows []loadRow, without, tau int) moments {
	type sums struct{ n, v [4]float64 }
	value := func(r *loadRow) [4]float64 { return [4]float64{r.amps, r.slow[tau], r.charge, r.volts} }
	means := map[int]*sums{}
	for i := range rows {
		if r := &rows[i]; r.used && r.run != without {
			m := means[r.run]
			if m == nil {
				m = &sums{}
				means[r.run] = m
			}
			for k, v := range value(r) {
				m.n[k]++
				m.v[k] += v
			}
		}
	}
	out := moments{freedom: -3 - float64(len(means))}
	for i := range rows {
		r := &rows[i]
		if !r.used || r.run == without {
			continue
		}
		v := value(r)
		for k := range v {
			v[k] -= means[r.run].v[k] / means[r.run].n[k]
		}
		for j := range v {
			for k := range v {
				out.s[j][k] += v[j] * v[k]
			}
		}
		out.freedom++
	}
	return out
}

// solve fits the terms (0 current, 1 slow current, 2 charge) to −V; ok when it
// can be told and no coefficient is negative, R above zero.
func (m *moments) solve(terms []int) (c [3]float64, left float64, ok bool) {
	if m.freedom < 1 {
		return c, 0, false
	}
	n := len(terms)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	// Scaled to a unit diagonal, so that the condition says how far the terms
	// can be told apart.
	scale := make([]float64, n)
	for i, t := range terms {
		if scale[i] = math.Sqrt(m.s[t][t]); scale[i] <= 0 {
			return c, 0, false
		}
	}
	for i, t := range terms {
		for j, u := range terms[:i+1] {
			a.SetSym(i, j, m.s[t][u]/(scale[i]*scale[j]))
		}
		b.SetVec(i, -m.s[t][3]/scale[i])
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) || chol.Cond() > 1e5 {
		return c, 0, false
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, b); err != nil {
		return c, 0, false
	}
	left = m.s[3][3]
	for i, t := range terms {
		c[t] = x.AtVec(i) / scale[i]
		if c[t] < 0 {
			return c, 0, false
		}
		left -= x.AtVec(i) * b.AtVec(i)
	}
	return c, math.Max(left, 0), c[0] > 0
}
