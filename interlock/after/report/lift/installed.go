package lift

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"downhaul/rules/rounding"
)

const (
	// withTable is how many hovers a forecast wants where a table gives the shape: one
	// degree of freedom is left.
	withTable = 2
	// shapeUnsure is how far the installed factor may change with the load, as a standard
	// deviation of d ln f/d ln T: wakes and guards take a share that is about the same at
	// every load. The flights' own slope counts beside it. Ours.
	shapeUnsure = 0.04
	// leastFactor is the least scatter of a factor that is believed, as a share: as of a
	// hover's thrust without a table.
	leastFactor = 2 * leastScatter
	// leastInstalled and mostInstalled bound a factor that an installed motor can have; the
	// table's own doubt is added to the upper one.
	leastInstalled, mostInstalled = 0.55, 1.06
	// otherVolts is the most by which the hovers' voltage may be more or less than the
	// stand's, as a factor: one output bends against another voltage (see bentMid).
	otherVolts = 1.25
)

// StandReport states what a table of the stand did for a forecast.
type StandReport struct {
	File string `json:"file"`
	// Factor is the installed factor: the flown thrust over the stand's at the same output
	// and voltage. Hovers says how many show it.
	Factor Estimate `json:"installed_factor"`
	Hovers int      `json:"hovers"`
	// Aside is why the flights alone count; empty where the table gives the shape.
	Aside string `json:"set_aside,omitempty"`
}

// Says is the report in words.
func (r *StandReport) Says() string {
	if r.Aside != "" {
		return fmt.Sprintf("the stand's table %s is set aside: %s", r.File, r.Aside)
	}
	return fmt.Sprintf("installed factor %s (%s to %s): what %d hovers lifted of what the stand's table %s gives at the same output and voltage; the table gives the shape, the flights the scale",
		rounding.Number(r.Factor.Mid, 3, rounding.Near), rounding.Number(r.Factor.Low, 3, rounding.Down), rounding.Number(r.Factor.High, 3, rounding.Up), r.Hovers, r.File)
}

// drawer draws a law of one motor that the data allow.
type drawer interface {
	draw(rng *rand.Rand) drawnLaw
}

// installed is the law of a stand's table, brought to scale by hovers.
type installed struct {
	stand *Stand
	up    []Point
	own   []float64 // of each hover's factor, a share
	mean  bool      // the factor of all hovers is drawn, not that of the next one
	// factors are those drawn, at the heaviest hover.
	factors []float64
	// scatters are those of one hover's factor about its line, as shares.
	scatters []float64
}

func newInstalled(s *Stand, up []Point) *installed {
	in := &installed{stand: s}
	for _, p := range up {
		if p.Output*p.Voltage < s.least {
			continue // below its lowest row the table has no shape
		}
		in.up = append(in.up, p)
		in.own = append(in.own, math.Hypot(leastFactor, math.Hypot(2*p.Scatter, p.Unsure)))
	}
	return in
}

// draw takes a law that the table allows, then a factor and its slope with the load that
// the hovers allow under that law: what the table has too high or too low in common
// cancels.
func (in *installed) draw(rng *rand.Rand) drawnLaw { return in.under(in.stand.draw(rng), rng) }

// under is draw with a law of the table at hand.
func (in *installed) under(d drawnLaw, rng *rand.Rand) drawnLaw {
	d.installed = 0
	var sum, cx, cy, top float64
	n := len(in.up)
	x, y, w := make([]float64, n), make([]float64, n), make([]float64, n)
	costs, told := 0.0, 0.0
	for i, p := range in.up {
		one := p.Thrust / float64(p.Motors)
		bare := d.bareAt(p.Output, p.Density, p.Voltage)
		x[i], y[i], w[i] = math.Log(one), math.Log(one/bare), 1/(in.own[i]*in.own[i])
		sum += w[i]
		cx += w[i] * x[i]
		cy += w[i] * y[i]
		top = math.Max(top, one)
		if p.Current > 0 {
			costs += math.Log(p.Voltage * p.Current / float64(p.Motors) / d.bareWatts(bare, p.Density))
			told++
		}
	}
	cx, cy = cx/sum, cy/sum
	sxx, sxy := 0.0, 0.0
	for i := range x {
		sxx += w[i] * (x[i] - cx) * (x[i] - cx)
		sxy += w[i] * (x[i] - cx) * (y[i] - cy)
	}
	// The slope, drawn to none by what is known of it beforehand; then the scatter that is
	// left, with what is known of it beforehand as assumedFreedom hovers more would tell it.
	const prior = 1 / (shapeUnsure * shapeUnsure)
	slope := sxy / (sxx + prior)
	var square float64
	for i := range x {
		r := y[i] - cy - slope*(x[i]-cx)
		square += w[i] * r * r
	}
	freedom := math.Max(float64(n-1), 1)
	in.scatters = append(in.scatters, math.Sqrt(square/freedom*float64(n)/sum))
	pooled := (assumedFreedom + square) / (assumedFreedom + freedom)
	grow := math.Sqrt(math.Max(pooled, 1) * (assumedFreedom + freedom) / distuv.ChiSquared{K: assumedFreedom + freedom, Src: rng}.Rand())
	level := cy + grow*rng.NormFloat64()/math.Sqrt(sum)
	if !in.mean {
		level += grow * math.Sqrt(float64(n)/sum) * rng.NormFloat64() // the next hover scatters like the others
	}
	known := sxx/(grow*grow) + prior
	d.slope = sxy/(grow*grow)/known + rng.NormFloat64()/math.Sqrt(known)
	d.ref, d.installed = math.Exp(cx), math.Exp(level)
	if told > 0 {
		d.costs = math.Exp(costs/told + 2*leastPower*rng.NormFloat64())
	}
	in.factors = append(in.factors, top/d.bare(top))
	return d
}

// report returns the factor that the draws had, and what speaks against the table.
func (in *installed) report() *StandReport {
	r := &StandReport{File: in.stand.file, Hovers: len(in.up), Factor: interval(in.factors)}
	most := mostInstalled * (1 + twoSigma*in.stand.doubt)
	if r.Factor.High < leastInstalled || r.Factor.Low > most {
		r.Aside = fmt.Sprintf("the flights lifted %.2f times what it gives (believable: %.2f to %.2f): another motor, propeller, lever or mass than this", r.Factor.Mid, leastInstalled, most)
	}
	var volts float64
	for _, p := range in.up {
		volts += p.Voltage / float64(len(in.up))
	}
	if v := volts / in.stand.volts; r.Aside == "" && (v > otherVolts || v < 1/otherVolts) {
		r.Aside = fmt.Sprintf("the stand ran at %.1f V, and the hovers at %.1f V: run it on the craft's own packs", in.stand.volts, volts)
	}
	return r
}

// cleanThrust is the most thrust of one motor that was seen to run clean, N, by the card
// and by the table of the propeller that is asked of; 0 is not stated.
func (a *asked) cleanThrust() float64 {
	clean, by := a.question.Craft.CleanThrust, a.question.Stand
	if other := a.question.WhatIf.Stand; other != nil {
		clean, by = 0, other // the card's is that of the propeller that flew
	}
	if by == nil || a.Stand == nil {
		return clean
	}
	if own := by.clean * a.Stand.Factor.Low; own > 0 && (clean <= 0 || own < clean) {
		return own
	}
	return clean
}

// askWith gives the forecast with a table: that of the table's shape and the flights'
// scale, held against the flights alone wherever those can tell.
func askWith(runs []Run, q Question) Forecast {
	stand, other := q.Stand, q.WhatIf.Stand
	q.Stand, q.WhatIf.Stand = nil, nil
	alone := askOnce(runs, q)
	q.Stand, q.WhatIf.Stand = stand, other
	both := askOnce(runs, q)
	if q.WhatIf.Stand != nil {
		return both // the flights alone know nothing of another propeller
	}
	if both.Stand == nil {
		return alone
	}
	if both.Stand.Aside == "" {
		both.Stand.Aside = contradicts(&both, &alone)
	}
	if both.Stand.Aside != "" {
		alone.Stand = both.Stand
		return alone
	}
	for i := range both.Next {
		// What the flights alone refute, no table makes safe.
		if alone.Next[i].Verdict == No {
			both.Next[i] = alone.Next[i]
		}
	}
	if len(both.Next) > 0 {
		both.Verdict = both.Next[0].Verdict
	}
	return both
}

// contradicts returns where the forecasts with the table and by the flights alone exclude
// each other.
func contradicts(both, alone *Forecast) string {
	for i := range both.Next {
		b, a := &both.Next[i], &alone.Next[i]
		if b.Numbers && a.Numbers && (b.free.Low > a.free.High || b.free.High < a.free.Low) {
			return fmt.Sprintf("for %s it tells a reserve of %.0f %% to %.0f %%, and the flights alone %.0f %% to %.0f %%", b.Name, 100*b.free.Low, 100*b.free.High, 100*a.free.Low, 100*a.free.High)
		}
	}
	return ""
}
