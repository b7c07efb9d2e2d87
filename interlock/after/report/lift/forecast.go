package lift

import (
	"math"

	"downhaul/interlock/model/air"
	"downhaul/interlock/model/recipe"
	"downhaul/rules/card"
)

const (
	// fewestHovers leave one degree of freedom; fewestSteps tell how thrust grows.
	fewestHovers, fewestSteps = 3, 2
	// sameStep is how far apart, as a share, two loads are still one step.
	sameStep = 0.02
)

// Ask gives the forecast. The runs stand in order of time, the newest last.
//
// Runs of another configuration than the one that is asked for say nothing of what this
// one lifts: they count for the change alone.
func Ask(runs []Run, q Question) Forecast {
	own, changes := apart(runs, q)
	var f Forecast
	if q.Stand != nil {
		f = askWith(own, q)
	} else {
		f = askOnce(own, q)
	}
	f.Changes = changes
	return f
}

func askOnce(runs []Run, q Question) Forecast {
	q = q.clean()
	given := runs
	runs = make([]Run, len(given))
	for i := range given {
		runs[i] = given[i].clean()
	}
	f := Forecast{Schema: Schema, Concerns: concerns, Rules: criteria(), Next: []StepForecast{}}
	f.Needed = Requirement{Reserve: q.Reserve, Floor: q.Floor, HoverTime: q.HoverTime, Confident: confidence}
	if !(f.Needed.Reserve > 0) {
		f.Needed.Reserve = recipe.Reserve
	}
	if !(f.Needed.HoverTime > 0) {
		f.Needed.HoverTime = recipe.HoverTime
	}
	if !q.WhatIf.none() {
		w := q.WhatIf
		f.WhatIf = &w
	}
	f.Cannot = cannotSee(runs, q)
	var next card.Air
	f.Points, f.Unused, next = evidence(runs, q)
	a := asked{Forecast: &f, question: q, steps: stepsOf(f.Points)}
	a.learn(runs, next)
	for _, s := range q.Next {
		f.Next = append(f.Next, a.step(s))
	}
	if len(f.Next) > 0 {
		f.Verdict = f.Next[0].Verdict
	}
	return f
}

// evidence finds the hovers, pulls and attempts of runs that were cleaned, what was left
// out and why, and the air of the next flight.
func evidence(runs []Run, q Question) (points []Point, unused []string, next card.Air) {
	next, unsure := oneAir(runs, q.Air)
	for i := range runs {
		found, left := runs[i].points(q.Craft)
		for k := range found {
			if unsure[i] {
				found[k].Unsure = math.Hypot(found[k].Unsure, unsureAir)
			}
		}
		points, unused = append(points, found...), append(unused, left...)
	}
	points, taut := dropTaut(points)
	return points, append(unused, taut...), next
}

// asked is a question being answered.
type asked struct {
	*Forecast
	question Question
	steps    int
	law      *law
	supply   supply
	machine  machine
	samples  []sample
	heaviest Point // by thrust, of hovers and pulls
	refusal  reason
	draws    int // 0 is draws
}

// hovers are the points whose thrust is known.
func hovers(points []Point) (out []Point) {
	for _, p := range points {
		if p.Kind != Attempt {
			out = append(out, p)
		}
	}
	return out
}

func attemptsOf(points []Point) (out []Point) {
	for _, p := range points {
		if p.Kind == Attempt {
			out = append(out, p)
		}
	}
	return out
}

// stepsOf counts the loads that differ.
func stepsOf(points []Point) int {
	var seen []float64
next:
	for _, p := range hovers(points) {
		for _, s := range seen {
			if math.Abs(p.Thrust/s-1) < sameStep {
				continue next
			}
		}
		seen = append(seen, p.Thrust)
	}
	return len(seen)
}

// learn fits law and pack and draws what they allow, or refuses.
func (a *asked) learn(runs []Run, next card.Air) {
	up := hovers(a.Points)
	low := math.Inf(1)
	for _, p := range up {
		low = math.Min(low, p.Thrust)
		if p.Thrust > a.heaviest.Thrust {
			a.heaviest = p
		}
	}
	switch {
	case len(up) == 0 && len(a.Points) > 0:
		a.refuse(reason{code: onlyAttempts, n: len(a.Points)})
		return
	case len(up) == 0:
		a.refuse(reason{code: nothing})
		return
	case a.question.Stand == nil && (a.steps < fewestSteps || a.heaviest.Thrust < recipe.WiderBy*low):
		a.refuse(reason{code: oneStep, mass: up[0].Mass, n: len(up)})
		return
	case a.question.Stand == nil && len(up) < fewestHovers, len(up) < withTable:
		a.refuse(reason{code: fewHovers, n: len(up)})
		return
	case a.heaviest.Output < recipe.LowestTop:
		a.refuse(reason{code: tooLight, share: a.heaviest.Output})
		return
	}
	for _, p := range a.Points {
		if p.Motors != up[0].Motors {
			a.refuse(reason{code: otherMotors, n: p.Motors})
			return
		}
	}
	var why string
	if a.supply, why = newSupply(runs); why != "" {
		a.refuse(reason{code: noSag, text: why})
		return
	}
	a.draw(up, next)
}

// draw fits the law and draws the crafts that law, pack and attempts allow.
func (a *asked) draw(up []Point, next card.Air) {
	var from drawer
	var stream int
	var scaled *installed
	if s := a.question.Stand; s != nil {
		if scaled = newInstalled(s, up); len(scaled.up) < withTable {
			a.Stand = &StandReport{File: s.file, Hovers: len(scaled.up), Aside: "fewer than two hovers lie at outputs that its rows reach"}
			a.refuse(reason{code: noLaw, text: a.Stand.Aside})
			return
		}
		from, a.law, stream = scaled, s.law, len(up)
	} else {
		var why string
		if a.law, why = newLaw(a.Points); why != "" {
			a.refuse(reason{code: noLaw, text: why})
			return
		}
		from, stream = a.law, a.law.drive.n
	}
	a.report(up)
	if a.question.WhatIf.HasCelsius {
		next.Celsius = a.question.WhatIf.Celsius // Check refuses it where no air was told
	}
	if next.Told {
		a.Air = &AirReport{Celsius: next.Celsius, Pressure: air.Pressure(next), Density: density(next)}
	}
	resting := a.question.Resting
	if !(resting > 0) {
		resting = a.supply.newest
	}
	if a.draws == 0 {
		a.draws = draws
	}
	var kept float64
	a.samples, kept = takeSamples(from, stream, &a.supply, attemptsOf(a.Points), resting, density(next), next.Told, a.draws)
	if kept < 0.02 || len(a.samples) < a.draws {
		a.refuse(reason{code: contradiction})
		return
	}
	if scaled != nil {
		a.Stand, a.Fit.Scatter = scaled.report(), interval(scaled.scatters).Mid
	}
	a.question.WhatIf.exchange(a.samples, a.question.Stand, a.question.Guard)
	a.machine = a.question.WhatIf.apply(a.question.Craft, machine{
		motors: float64(up[0].Motors), cells: 1, packs: 1, thrust: 1, ohms: 1,
		limit: 1 / a.Fit.WorstRatio, collapse: a.supply.collapse, clean: a.cleanThrust(),
	}, a.samples)
}

// refuse leaves the forecast without numbers.
func (a *asked) refuse(r reason) {
	r.hover = a.Needed.HoverTime
	a.refusal = r
	a.Refused, a.Settle = r.sentence("metric")
}

// report fills in how well law and pack are known.
func (a *asked) report(up []Point) {
	l, s := a.law, &a.supply
	r := &FitReport{
		Against: "output", Hovers: len(up), Steps: a.steps, Freedom: int(l.drive.freedom),
		Scatter: 2 * l.drive.scatter / l.drive.level, T: student(l.drive.freedom),
		Heaviest: a.heaviest.Thrust, TopOutput: a.heaviest.Output, WorstRatio: 1,
	}
	if l.speeds {
		r.Against = "rotor speed"
		r.Scatter = math.Hypot(r.Scatter, l.thrust.scatter/l.thrust.level)
		r.Freedom = int(math.Min(l.drive.freedom, l.thrust.freedom))
		r.T = student(float64(r.Freedom))
	}
	for _, p := range up {
		r.WorstRatio = math.Max(r.WorstRatio, p.Worst)
	}
	switch {
	case a.question.Stand != nil:
		r.Against, r.Freedom = "the stand's table", len(up)-1
		r.T = student(float64(r.Freedom))
	case r.TopOutput < fullOutput:
		r.Assumes = beyondHeaviest
	}
	a.Fit = r
	t := student(s.freedom)
	about := func(mid, unsure float64) Estimate { return Estimate{mid, math.Max(mid-t*unsure, 0), mid + t*unsure} }
	a.Pack = &PackReport{
		Resistance: about(s.ohms, s.ohmsUnsure), Slow: about(s.slow, s.slowUnsure), StepResistance: s.stepOhms, Steps: s.steps,
		Resting: about(s.newest, assumedResting*s.newest), PerCharge: about(s.fall, s.fallUnsure),
		ShownCurrent: s.shown, Collapse: s.collapse, Deepest: s.deepest, Runs: s.runs,
	}
}

// step is the forecast for one load.
func (a *asked) step(s Step) StepForecast {
	mass := s.Mass + a.question.WhatIf.Mass
	if g := a.question.Guard; g != nil && a.question.WhatIf.GuardOff {
		mass -= g.Mass
	}
	f := StepForecast{Name: s.Name, Mass: mass, Ballast: s.Ballast, Weight: mass * Gravity}
	if f.Name == "" {
		f.Name = "a step"
	}
	if a.refusal.code != 0 || !(mass > 0) {
		f.judge(a)
		return f
	}
	m, n := &a.machine, len(a.samples)
	type column struct {
		to *Estimate
		v  []float64
	}
	columns := []column{
		{to: &f.Output}, {to: &f.Worst}, {to: &f.Headroom}, {to: &f.Current}, {to: &f.Voltage}, {to: &f.Sag}, {to: &f.EndVoltage},
		{to: &f.Lift}, {to: &f.LiftVoltage}, {to: &f.LiftCurrent}, {to: &f.Reserve}, {to: &f.Endurance}, {to: &f.NeedCurrent},
	}
	for i := range columns {
		columns[i].v = make([]float64, 0, n)
	}
	can := 0
	var free []float64
	for i := range a.samples {
		d := &a.samples[i]
		o := m.ask(d, f.Weight, &a.Needed, reach*a.supply.shown*m.packs)
		if o.hover.ok && o.hover.output <= m.limit {
			can++
		}
		free = append(free, o.lift/f.Weight-1)
		worst := o.hover.output / m.limit
		for k, v := range []float64{
			o.hover.output, worst, 1 - worst, o.hover.amps, o.hover.volts, m.rest(d) - o.hover.volts, o.endVolts,
			o.bounded, o.full.volts, o.full.amps, o.bounded/f.Weight - 1, o.endurance, o.need.amps,
		} {
			columns[k].v = append(columns[k].v, v)
		}
	}
	for i := range columns {
		for _, v := range columns[i].v {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				f.absurd = true
			}
		}
	}
	if f.absurd {
		f.judge(a)
		return f
	}
	for i := range columns {
		*columns[i].to = interval(columns[i].v)
	}
	f.Numbers = true
	f.canHover = float64(can) / float64(n)
	f.free = interval(free)
	if f.Shown = f.LiftCurrent.Mid <= reach*a.supply.shown*m.packs; f.Shown {
		f.Reserve = f.free
		f.Lift = Estimate{(1 + f.free.Mid) * f.Weight, (1 + f.free.Low) * f.Weight, (1 + f.free.High) * f.Weight}
	}
	f.Take = a.take(&f)
	f.judge(a)
	return f
}

// outlook is what one sample does at one weight.
type outlook struct {
	hover, full, need state
	// lift is the most thrust if the supply carries it, bounded that at the most
	// current it is trusted with.
	lift, bounded       float64
	endVolts, endurance float64
}

func (m *machine) ask(d *sample, weight float64, need *Requirement, trusted float64) outlook {
	var o outlook
	o.hover = m.hover(d, weight, m.rest(d))
	end := m.drawnTo(d, o.hover.amps*need.HoverTime)
	late := m.hover(d, weight, end)
	o.endVolts = late.volts
	// The slow sag is that of the hover before.
	soon := end - m.packOhms(d.slow)*late.amps
	o.lift, o.full = m.most(d, soon)
	if m.collapse > 0 && o.full.amps > m.collapse*m.packs {
		o.lift = m.carried(d, soon, m.collapse*m.packs)
	}
	o.bounded = o.lift
	if trusted > 0 && o.full.amps > trusted {
		o.bounded = math.Min(o.lift, m.carried(d, soon, trusted))
	}
	o.need = m.under(d, (1+need.Reserve)*weight, soon, m.packOhms(d.ohms))
	fall := d.fall * m.cells / m.packs
	if spare := o.hover.volts - need.Floor; spare > 0 && fall > 0 {
		o.endurance = math.Min(spare/fall/o.hover.amps, longest)
	}
	return o
}

// longest is the most endurance that is told, s: a day tells that it was not the
// pack.
const longest = 86400
