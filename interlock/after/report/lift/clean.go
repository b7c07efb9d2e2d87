package lift

import (
	"math"

	"downhaul/interlock/model/air"
	"downhaul/rules/card"
)

// largestNumber is far beyond any quantity of the trade in SI.
const largestNumber = 1e6

func plausible(v float64) bool { return math.Abs(v) <= largestNumber } // false for NaN

// clean drops what is no sample: a value that is no number or beyond all
// reason, a time that runs back. A clean series is handed back as it is.
func (s Series) clean() Series {
	n := min(len(s.T), len(s.V))
	good := len(s.T) == len(s.V)
	for i := 0; i < n && good; i++ {
		good = plausible(s.V[i]) && !math.IsNaN(s.T[i]) && !math.IsInf(s.T[i], 0) && (i == 0 || s.T[i] >= s.T[i-1])
	}
	if good {
		return s
	}
	var out Series
	last := math.Inf(-1)
	for i := range n {
		if t := s.T[i]; plausible(s.V[i]) && t >= last && !math.IsInf(t, 0) {
			out.T, out.V = append(out.T, t), append(out.V, s.V[i])
			last = t
		}
	}
	return out
}

func cleanAll(all []Series) []Series {
	if all == nil {
		return nil
	}
	out := make([]Series, len(all))
	for i := range all {
		out[i] = all[i].clean()
	}
	return out
}

// clean is the run with nothing in it that is no number.
func (r Run) clean() Run {
	r.Outputs, r.Speeds = cleanAll(r.Outputs), cleanAll(r.Speeds)
	for _, s := range []*Series{&r.Voltage, &r.Current, &r.Height, &r.Climb, &r.Tilt, &r.Tension, &r.Slant, &r.Armed, &r.Landed} {
		*s = s.clean()
	}
	if len(r.Speeds) != len(r.Outputs) {
		r.Speeds = nil // a rotor that is not told could be any
	}
	r.Mass = positive(r.Mass)
	r.Air = cleanAir(r.Air)
	return r
}

// cleanAir takes an air that no pad has for one that was not told.
func cleanAir(a card.Air) card.Air {
	if p := air.Pressure(a); a.Told && a.Celsius >= -60 && a.Celsius <= 60 && p >= 3e4 && p <= 1.2e5 {
		return a
	}
	return card.Air{}
}

// positive is v, or 0 where it is nothing or no number.
func positive(v float64) float64 {
	if v > 1e-3 && plausible(v) {
		return v
	}
	return 0
}

func (q Question) clean() Question {
	for _, v := range []*float64{&q.Reserve, &q.Floor, &q.HoverTime, &q.Resting, &q.Craft.Width, &q.Craft.RotorHeight, &q.Craft.CleanThrust} {
		*v = positive(*v)
	}
	q.Air = cleanAir(q.Air)
	q.Next = append([]Step(nil), q.Next...)
	for i := range q.Next {
		q.Next[i].Mass, q.Next[i].Ballast = positive(q.Next[i].Mass), positive(q.Next[i].Ballast)
	}
	return q
}
