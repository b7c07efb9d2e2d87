package lift

import (
	"math"

	"downhaul/interlock/model/recipe"
)

const (
	// reach is how far beyond the largest current that the supply was seen to
	// carry it is trusted. On measured supplies with a current limit, the last
	// good reading lay within a tenth below the collapse, without a sign of it.
	reach = 1.1
	// leastHeadroom of the hardest working motor in the hover: without it nothing
	// is left to hold the craft level (common practice, no source).
	leastHeadroom = 0.10
	// deeper is how far beyond the charge that was ever drawn the fall of the
	// resting voltage is trusted.
	deeper = 1.5
	// sinks is the share of draws that must hover for the step to be tried.
	sinks = 0.5
)

// judge gives verdict and reason.
func (f *StepForecast) judge(a *asked) {
	f.Verdict, f.why = f.weigh(a)
	f.Reason, f.Settle = f.why.sentence("metric")
}

// Withhold takes every verdict but a no back, for a reason that the numbers know
// nothing of; settle says what would settle it.
func (f *Forecast) Withhold(why, settle string) {
	for i := range f.Next {
		s := &f.Next[i]
		if s.Verdict == No {
			continue
		}
		s.Verdict, s.why = Withheld, reason{code: withheld, text: why, settle: settle}
		s.Reason, s.Settle = why, settle
	}
	if len(f.Next) > 0 {
		f.Verdict = f.Next[0].Verdict
	}
}

func (f *StepForecast) weigh(a *asked) (Verdict, reason) {
	if !(f.Mass > 0) {
		return NotYet, reason{code: noMass}
	}
	// What stayed on the ground at full output stays there at any more mass,
	// unless the craft changes.
	if a.WhatIf == nil {
		for _, p := range a.Points {
			if p.Kind == Attempt && p.Mass <= f.Mass*(1+sameStep/4) && a.heaviest.Mass < p.Mass*(1+sameStep/4) {
				return No, reason{code: stayedDown, mass: p.Mass, volts: p.Voltage}
			}
		}
	}
	if a.refusal.code != 0 {
		return NotYet, a.refusal
	}
	if f.absurd {
		return NotYet, reason{code: absurd}
	}
	need := &a.Needed
	r := reason{mass: f.Mass, share: f.free.Low, high: f.free.High, mid: f.free.Mid, need: need.Reserve, hover: need.HoverTime, n: a.Fit.Hovers, take: f.Take}
	as := func(c code) reason { r.code = c; return r }
	switch {
	case f.Weight > recipe.Furthest*a.Fit.Heaviest*a.machine.motors/float64(a.Points[0].Motors):
		r.mass = recipe.Furthest * a.Fit.Heaviest / Gravity
		return NotYet, as(tooFar)
	case f.canHover < sinks:
		return No, as(noHover)
	case f.free.High < need.Reserve:
		return No, as(tooLittle)
	case need.Floor > 0 && f.EndVoltage.High < need.Floor:
		r.volts, r.limit, r.seconds = f.EndVoltage.Mid, need.Floor, f.Endurance.Mid
		return No, as(underFloor)
	case a.supply.collapse > 0 && f.LiftCurrent.High > a.supply.collapse*a.machine.packs:
		r.amps, r.limit = a.supply.collapse*a.machine.packs, f.LiftCurrent.Mid
		return NotYet, as(collapses)
	case f.free.Mid < need.Reserve:
		return NotYet, as(likelyTooLittle)
	case f.free.Low < need.Reserve:
		return NotYet, as(tooUnsure)
	case !f.Shown:
		r.amps, r.limit = a.supply.shown*a.machine.packs, f.LiftCurrent.Mid
		return NotYet, as(notShown)
	case f.Headroom.Low < leastHeadroom:
		r.share = f.Headroom.Low
		return NotYet, as(motorFull)
	case need.Floor > 0 && f.EndVoltage.Low < need.Floor:
		r.volts, r.limit, r.seconds = f.EndVoltage.Low, need.Floor, need.HoverTime
		return NotYet, as(nearFloor)
	case a.supply.fall == 0:
		return NotYet, as(noFall)
	case f.Current.Mid*need.HoverTime > deeper*a.supply.deepest*a.machine.packs:
		r.seconds = deeper * a.supply.deepest * a.machine.packs / f.Current.Mid
		return NotYet, as(tooLong)
	}
	return Go, as(fine)
}

// take works out what would bring the required reserve, each change by itself,
// at the low end of the interval.
func (a *asked) take(f *StepForecast) *Take {
	some := a.samples[:min(fewDraws, len(a.samples))]
	lows := make([]float64, len(some))
	low := func(m machine, mass float64) float64 {
		for i := range some {
			o := m.ask(&some[i], mass*Gravity, &a.Needed, 0)
			lows[i] = o.lift/(mass*Gravity) - 1
		}
		return interval(lows).Low
	}
	t := &Take{}
	craft := math.Max(f.Mass-f.Ballast, 0)
	at, most := 0.0, 2*f.Mass
	for range 14 {
		if mid := (at + most) / 2; low(a.machine, mid) >= a.Needed.Reserve {
			at = mid
		} else {
			most = mid
		}
	}
	t.LargestMass = at
	t.LargestBallast = math.Max(at-craft, 0)
	if f.free.Low >= a.Needed.Reserve {
		return t
	}
	t.MassOff = f.Mass - at
	t.MorePerMotor = ((1+a.Needed.Reserve)*f.Weight - (1+f.free.Low)*f.Weight) / a.machine.motors
	with := func(factor float64) float64 { m := a.machine; m.ohms *= factor; return low(m, f.Mass) }
	if with(1e-6) >= a.Needed.Reserve {
		lo, hi := 0.0, 1.0
		for range 10 {
			if mid := (lo + hi) / 2; with(mid) >= a.Needed.Reserve {
				lo = mid
			} else {
				hi = mid
			}
		}
		t.LessSag = (1 - lo) * (a.supply.ohms + a.supply.slow) * a.machine.cells / a.machine.packs * a.machine.ohms * f.LiftCurrent.Mid
	}
	return t
}
