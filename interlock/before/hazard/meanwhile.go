package hazard

import (
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// Meanwhile is what the craft does while a rule acts; null is not known.
type Meanwhile struct {
	// Gone is the longest until no thrust is left, s, grace not counted.
	Gone float64 `json:"to_no_thrust_s"`
	// Gain is how much height a runaway gains until its coast ends, m: past the
	// limit of a rule on height or climb, from hover for any other. Speed is its
	// speed when no thrust is left, m/s, where the rule ends a runaway; Apex where
	// the coast ends when the rule is on height, m; Drop the speed of the fall from
	// there, or at the end of a grace from the highest that the envelope allows,
	// m/s.
	Gain  *float64 `json:"gain_m"`
	Speed *float64 `json:"speed_m_s"`
	Apex  *float64 `json:"apex_m"`
	Drop  *float64 `json:"drop_speed_m_s"`
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
			out.Says = fmt.Sprintf("Not down when the grace ends, it falls: from %s it arrives with %s.", j.show(j.top, rules.Length), j.up(v, rules.Speed))
		}
		return out
	}
	a := j.full
	if a <= 0 {
		return out
	}
	gain := Runaway(a, out.Gone)
	if v, ok := j.speedAt(i); ok {
		out.Speed = &v
	}
	falls := func(text string, apex float64) {
		v := FallSpeed(apex)
		out.Apex, out.Drop = &apex, &v
		out.Says = fmt.Sprintf(text+" and falls with up to %s (no drag: on the high side).", j.up(v, rules.Speed))
	}
	switch {
	case out.Speed != nil && isReach(r.Watch):
		out.Says = fmt.Sprintf("A runaway that goes off level from over the anchor has up to %s when its thrust is gone, one from hover gains up to %s meanwhile (no drag: on the high side).",
			j.up(*out.Speed, rules.Speed), j.up(gain, rules.Length))
	case out.Speed == nil:
		out.Says = fmt.Sprintf("Meanwhile a runaway from hover gains up to %s (no drag: on the high side; one that climbs already gains more).", j.up(gain, rules.Length))
	case r.Watch == rules.Apex:
		v, apex := j.behindApex(r.Limit, b.Period*float64(1+b.Lost))
		how := ""
		if apex > r.Limit {
			how = " with the thrust of the pad file, and denser air gives more, so that the guard trips late: on the low side"
		}
		if up, on := a-Gravity, r.Lasting.Seconds(); on > 0 && up > 0 {
			apex, how = derived.Coast(apex-v*v/(2*Gravity), v, on, up), how+", but the on-delay is not"
		}
		falls(fmt.Sprintf("The coast is in the prediction%s: a runaway from the pad has up to %s when its thrust is gone, tops out at %s",
			how, j.up(*out.Speed, rules.Speed), j.up(apex, rules.Length)), apex)
		if Runaway(j.Pad.Height.MaxAcceleration, j.Pad.Reaction(j.Stop.Thrust).Seconds())+j.Pad.Height.ErrorHeight > r.Limit {
			out.Says += " But the prediction is past the limit while the craft stands on the pad already: raise it, or shorten the stop."
		}
	case isHeight(r.Watch):
		apex := j.topBehind(r, b)
		gain = apex - r.Limit
		falls(fmt.Sprintf("A runaway from the pad passes the limit at full thrust, gains %s meanwhile, has up to %s when its thrust is gone, tops out at %s",
			j.up(gain, rules.Length), j.up(*out.Speed, rules.Speed), j.up(apex, rules.Length)), apex)
	default:
		v0 := max(0, r.Limit+j.Pad.Height.ErrorClimb)
		gain = derived.Coast(0, v0, out.Gone, max(0, a-Gravity))
		out.Says = fmt.Sprintf("Meanwhile a runaway that passes the limit gains up to %s and has up to %s when its thrust is gone (no drag: on the high side).", j.up(gain, rules.Length), j.up(*out.Speed, rules.Speed))
	}
	out.Gain = &gain
	return out
}

// topBehind is where a runaway from the pad tops out, m, that a limit on height
// ends; the height may be off to the low side by what the pad file states.
func (j *job) topBehind(r *rules.Rule, b *Budget) float64 {
	return topOf(j.full, r.Limit+j.Pad.Height.ErrorHeight, b.Gone)
}
