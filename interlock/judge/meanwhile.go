package judge

import (
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/rules"
)

// Meanwhile is what the craft does while a rule acts; null is not known.
type Meanwhile struct {
	// Gone is the longest until no thrust is left, s, grace not counted.
	Gone float64 `json:"to_no_thrust_s"`
	// Gain is how much height a runaway from hover gains until its coast ends,
	// m; Apex where that ends when the rule is on height, m; Drop the speed of
	// the fall from there, or at the end of a grace from the highest that the
	// envelope allows, m/s.
	Gain *float64 `json:"gain_m"`
	Apex *float64 `json:"apex_m"`
	Drop *float64 `json:"drop_speed_m_s"`
	// Says is the same in a sentence; empty where nothing is known.
	Says string `json:"says"`
}

// meanwhile works out what the craft does while rule i acts.
func (j *job) meanwhile(i int) Meanwhile {
	r, b := &j.Envelope.Rules[i], &j.budgets[i]
	out := Meanwhile{Gone: b.Gone}
	if r.Stop == rules.NoStop || !j.fed(r.Watch) || j.Pad.Duty == interlock.Watch {
		return out
	}
	if r.Stop == rules.Controlled {
		if !math.IsInf(j.top, 1) {
			v := FallSpeed(j.top)
			out.Drop = &v
			out.Says = fmt.Sprintf("Not down when the grace ends, it falls: from %s it arrives with %s.", j.show(j.top, rules.Length), j.show(v, rules.Speed))
		}
		return out
	}
	a := j.Pad.Height.MaxAcceleration
	if a <= 0 {
		return out
	}
	gain := Runaway(a, out.Gone)
	out.Gain = &gain
	switch {
	case r.Watch == rules.Apex && r.Form == rules.Above:
		v := FallSpeed(r.Limit)
		out.Apex, out.Drop = some(r.Limit), &v
		out.Says = fmt.Sprintf("The coast is in the prediction: from %s it falls with up to %s.", j.show(r.Limit, rules.Length), j.show(v, rules.Speed))
	case isHeight(r.Watch) && r.Form == rules.Above:
		apex := r.Limit + gain
		v := FallSpeed(apex)
		out.Apex, out.Drop = &apex, &v
		out.Says = fmt.Sprintf("Meanwhile a runaway gains %s, tops out at %s and falls with up to %s.",
			j.show(gain, rules.Length), j.show(apex, rules.Length), j.show(v, rules.Speed))
	default:
		out.Says = fmt.Sprintf("Meanwhile a runaway gains up to %s.", j.show(gain, rules.Length))
	}
	return out
}
