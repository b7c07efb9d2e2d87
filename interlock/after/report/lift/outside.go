package lift

import (
	"fmt"
	"math"
)

// alike is how far apart, as a share, two runs' hovers at one load may be and confirm each
// other; ours: the packs and the air of two hours of one day.
const alike = 0.03

// Outside returns how the newest run's hover at the heaviest load that flew lies outside of
// what the flights with less had foreseen for it, and what is to be done; empty where it
// lies inside, where they foresee nothing, or where another run at that load took as much.
// Something is otherwise than the numbers have it then: the load, a propeller, a pack, the
// tether. f is the forecast of all runs by the question q.
func (f *Forecast) Outside(runs []Run, q Question) (why, settle string) {
	heaviest := 0.0
	for _, p := range f.Points {
		if p.Kind == Hover {
			heaviest = max(heaviest, p.Mass)
		}
	}
	same := func(mass float64) bool { return math.Abs(mass/heaviest-1) < sameStep/4 }
	var before []Run
	newest := Run{}
	for _, r := range runs {
		switch took, _ := f.took(r.Name); {
		case heaviest > 0 && !same(r.Mass) && r.Mass < heaviest:
			before = append(before, r)
		case same(r.Mass) && took > 0:
			newest = r
		}
	}
	if newest.Name == "" || len(before) == 0 {
		return "", ""
	}
	q.Next, q.WhatIf = []Step{{Name: newest.Step, Mass: newest.Mass}}, WhatIf{}
	if newest.Air.Told {
		q.Air = newest.Air
	}
	asked := Ask(before, q)
	took, volts := f.took(newest.Name)
	s := &asked.Next[0]
	low, high := s.Output.Low*s.Voltage.Mid, s.Output.High*s.Voltage.Mid
	if !s.Numbers || took >= low && took <= high {
		return "", ""
	}
	for _, r := range runs {
		if other, _ := f.took(r.Name); r.Name != newest.Name && same(r.Mass) && math.Abs(other/took-1) < alike {
			return "", ""
		}
	}
	return fmt.Sprintf("the hover of %s took %.1f %% of output, and the flights with less ballast foresaw %.1f to %.1f %% at that voltage", newest.Step, 100*took/volts, 100*low/volts, 100*high/volts),
		fmt.Sprintf("weigh craft and ballast, look at propellers, motors, packs and the tether's pull, then fly %s again: a second run that takes as much counts", newest.Step)
}

// took is what a run's hovers took of output times pack voltage, V, and the voltage, by
// their length; 0 without a hover.
func (f *Forecast) took(run string) (share, volts float64) {
	long := 0.0
	for _, p := range f.Points {
		if p.Kind == Hover && p.Run == run {
			d := p.To - p.From
			share, volts, long = share+float64(p.Output*p.Voltage*d), volts+float64(p.Voltage*d), long+d
		}
	}
	if long == 0 {
		return 0, 0
	}
	return share / long, volts / long
}
