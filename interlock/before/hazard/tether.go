package hazard

import (
	"fmt"
	"math"
	"strings"

	"downhaul/interlock"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// Rope is what the tether bears, N and m/s; null is not known.
type Rope struct {
	Breaking *float64 `json:"breaking_strength_n"`
	// WorkingLoad is the least of the rope's and of the parts' that are stated,
	// Weakest which one that is, Unknown what is not stated.
	WorkingLoad *float64 `json:"working_load_n"`
	Weakest     string   `json:"weakest,omitempty"`
	Unknown     []string `json:"not_stated"`
	// Pull is the greatest net pull along the tether that full thrust keeps up,
	// Closing the speed at which the heaviest craft may run into its end with it.
	Pull    *float64 `json:"net_pull_n"`
	Closing *float64 `json:"closing_speed_m_s"`
	// Slack is how much rope may lie loose while power is on: over it full thrust, from rest
	// and level, gains that speed, v²/2a with a = √((T/m)² − g²). SlackSays tells it to the crew.
	Slack       *float64 `json:"slack_m"`
	SlackSays   string   `json:"slack_says"`
	Snatch      *float64 `json:"runaway_snatch_n"`
	SnatchSpeed *float64 `json:"runaway_speed_m_s"`
	// PeakTime is how long after the tether comes tight that pull is at its greatest, s.
	PeakTime *float64 `json:"runaway_peak_s"`
}

// fast is how much stiffer a tether is taken to be to a snatch than to a slow pull
// where its file does not say: ours, so that the speed that is allowed falls by √2.
const fast = 2

// stiffness is of the tether, N/m: to a slow pull and to a snatch, 0 where it is not
// stated. stated reports whether the file tells of snatches.
func (j *job) stiffness() (slow, quick float64, stated bool) {
	t := &j.Envelope.Tether
	slow, quick = stiffness(t.Slow, t.Length), stiffness(t.Fast, t.Length)
	if quick > 0 {
		return slow, quick, true
	}
	return slow, fast * slow, false
}

// LeastLoad returns the least that anything in the tether bears at work, N, 0 where
// nothing is stated; which part that is; and what is not stated.
func LeastLoad(t *rules.Tether) (least float64, weakest string, unknown []string) {
	rope := workingLoad(t.BreakingStrength, t.DesignFactor)
	left := func(share float64) float64 {
		if share == 0 {
			return 1
		}
		return share
	}
	unknown = []string{}
	for _, part := range []struct {
		name         string
		stated, load float64
	}{
		{"the rope", rope, rope * left(t.Knot) * left(t.Age)}, {"knot", t.Knot, 0}, {"age", t.Age, 0},
		{"the shackle", t.Shackle, t.Shackle}, {"the anchor", t.Anchor, t.Anchor}, {"the attachment", t.Attachment, t.Attachment}, {"the load cell", t.LoadCell, t.LoadCell},
	} {
		switch {
		case part.stated == 0:
			unknown = append(unknown, strings.TrimPrefix(part.name, "the "))
		case part.load > 0 && (least == 0 || part.load < least):
			least, weakest = part.load, part.name
		}
	}
	return least, weakest, unknown
}

// rope reports what the tether bears and what a runaway does to it.
func (j *job) rope() {
	t, out := &j.Envelope.Tether, &j.out.Rope
	w, weakest, unknown := LeastLoad(t)
	out.Weakest, out.Unknown = weakest, unknown
	if t.BreakingStrength > 0 {
		out.Breaking = some(t.BreakingStrength)
	}
	if w <= 0 {
		return
	}
	out.WorkingLoad = some(w)
	text := fmt.Sprintf("The tether's working load is %s, that of %s, the least of what is stated.", j.down(w, rules.Force), out.Weakest)
	if len(out.Unknown) > 0 {
		text += fmt.Sprintf(" Not stated: %s. Any of these may bear less (a knot can halve a rope).", strings.Join(out.Unknown, ", "))
	}
	if t.BreakingStrength > 0 {
		text += fmt.Sprintf(" The breaking strength, %s, is not a working load.", j.show(t.BreakingStrength, rules.Force))
	}
	j.say("%s", text)
	_, k, stated := j.stiffness()
	full := j.full
	switch {
	case k == 0:
		j.say("What a snatch pulls, and how fast the craft may run into the tether's end, is not known: the envelope states no stretch of the tether (hang a known load on it and measure).")
		return
	case j.mass == 0:
		j.say("What a snatch pulls, and how fast the craft may run into the tether's end, is not known: no test card states the mass.")
		return
	case full <= 0:
		j.say("What a snatch pulls, and how fast the craft may run into the tether's end, is not known: the pad file states no full thrust and mass under [height].")
		return
	}
	// The pad file's acceleration is that of the lightest craft, the mass here that
	// of the heaviest: both on the high side.
	pull := j.mass * Sideways(full)
	v := closingSpeed(w, pull, k, j.mass)
	out.Pull, out.Closing = some(pull), some(v)
	switch {
	case v == 0:
		out.Slack, out.SlackSays = some(0), "never tight while power is on: it does not bear full thrust"
	case pull > 0: // what cannot lift itself gains no speed
		slack := v * v / (2 * Sideways(full))
		out.Slack = some(slack)
		out.SlackSays = fmt.Sprintf("at most %s loose while power is on: over more, full thrust gains over %s, which it does not bear",
			j.down(slack, rules.Length), j.down(v, rules.Speed))
	}
	how := "the stretch of a fast pull is as stated"
	if !stated {
		how = "fast_stretch is not stated, and twice the stiffness of the slow pull is taken, which divides the speed by √2: ask the maker"
	}
	if v == 0 {
		j.warn("the tether bears no speed at all at its end while full thrust pulls on: level, %s pull %s along it, and put on at once twice that, which its working load of %s does not bear. Take a stronger tether, or see that it never comes tight",
			j.show(j.mass, rules.Mass), j.up(pull, rules.Force), j.down(w, rules.Force))
	} else {
		j.say("%s may run into the tether's end with %s at most, while full thrust pulls on with %s, the most that there is in level flight (less while climbing). The tether counts as a straight spring without mass at a rigid anchor: a rope that stiffens as it stretches bears less, an anchor that gives bears more. Here %s.",
			j.show(j.mass, rules.Mass), j.down(v, rules.Speed), j.up(pull, rules.Force), how)
	}
	j.snatch(w, k)
}

// snatch judges a craft that runs away at full thrust into the end of its tether:
// upward and level, each before the rule that leaves it the least speed has its
// thrust gone. Whichever pulls more counts.
func (j *job) snatch(w, k float64) {
	full := j.full
	worst, text := -1.0, ""
	for _, way := range []struct {
		name string
		a    float64
		is   func(rules.ChannelID) bool
	}{{"upward", full - Gravity, isRise}, {"level", Sideways(full), isReach}} {
		if way.a <= 0 {
			continue
		}
		// From rest, no farther than from one side of the tether's circle to the other.
		l := j.Envelope.Tether.Length
		v, by := FromRest(way.a, 2*l), ""
		for i := range j.Envelope.Rules {
			if r := &j.Envelope.Rules[i]; way.is(r.Watch) && (!isReach(r.Watch) || r.Limit < l) {
				if x, ok := j.speedAt(i); ok && x < v {
					v, by = x, r.Name
				}
			}
		}
		// Thrust that is gone by then pulls no more; here it does, on the high side.
		pull := snatch(j.mass*way.a, k, j.mass, v)
		if pull <= worst {
			continue
		}
		worst = pull
		j.out.Rope.Snatch, j.out.Rope.SnatchSpeed, j.out.Rope.PeakTime = some(pull), some(v), some(peakTime(j.mass*way.a, k, j.mass, v))
		text = fmt.Sprintf("A runaway from the pad, %s, reaches %s before %q has its thrust gone", way.name, j.up(v, rules.Speed), by)
		if by == "" {
			text = fmt.Sprintf("Nothing that cuts at once ends a runaway, %s, before the tether is tight: across its whole circle it reaches %s", way.name, j.up(v, rules.Speed))
		}
	}
	if worst < 0 {
		return
	}
	text = fmt.Sprintf("%s; into the tether's end that pulls up to %s, %s after it comes tight (no drag, thrust still full: on the high side; a craft that flies fast already is faster)",
		text, j.pull(worst), rounding.Show(*j.out.Rope.PeakTime, "ms", 3, rounding.Near))
	if b := j.Envelope.Tether.BreakingStrength; b > 0 {
		text += fmt.Sprintf(", %.0f %% of the breaking strength", math.Ceil(100*worst/b))
	}
	if worst > w {
		j.warn("%s and more than the working load of %s", text, j.down(w, rules.Force))
		return
	}
	j.say("%s and within the working load.", text)
}

// speedAt is the speed of a runaway when rule i has its thrust gone; ok is false
// where the rule does not cut at once or does not see one. From rest at the pad the
// limit is passed at √(2 a H) and full thrust goes on for the rule's whole time; a
// climb is passed at its limit; and a predicted apex has all that in it, so that the
// thrust is gone at √(2 H a g/(a + g)), and on-delay comes on top.
func (j *job) speedAt(i int) (v float64, ok bool) {
	r, t := &j.Envelope.Rules[i], j.budgets[i].Gone
	full, h := j.full, &j.Pad.Height
	up, side := max(0, full-Gravity), Sideways(full)
	if !j.cuts(r) || full <= 0 {
		return 0, false
	}
	switch {
	case r.Watch == rules.Apex:
		v, _ := j.behindApex(r.Limit, j.budgets[i].Period*float64(1+j.budgets[i].Lost))
		return v + up*r.Lasting.Seconds(), true
	case isHeight(r.Watch):
		return FromRest(up, r.Limit+h.ErrorHeight) + up*t, true
	case isRise(r.Watch):
		return max(0, r.Limit+h.ErrorClimb) + up*t, true
	case isReach(r.Watch):
		return FromRest(side, r.Limit) + side*t, true
	}
	return 0, false
}

// behindApex is the speed of a runaway from the pad when its thrust is gone, and where
// it tops out, that trips as the prediction passes a limit. The guard predicts by the
// thrust of the pad file; where that is all, the coast ends at the limit and the speed is
// √(2 H a g/(a + g)). In denser air the craft is past it, and the older the height is by
// which the guard predicts (age, s, at most), the further.
func (j *job) behindApex(limit, age float64) (v, top float64) {
	a, up := max(0, j.Pad.Height.MaxAcceleration-Gravity), max(0, j.full-Gravity)
	if j.full <= j.Pad.Height.MaxAcceleration || up == 0 {
		return math.Sqrt(2 * max(0, limit) * a * Gravity / (a + Gravity)), limit
	}
	// It climbs with up from rest to v0, at v0²/(2 up), where the prediction with a for t
	// more is the limit: that is the height that the guard has when it trips.
	t := j.Pad.Reaction(j.Stop.Thrust).Seconds() + age
	p, q, r := 1/(2*up)+1/(2*Gravity), t*(1+a/Gravity), a*t*t/2+a*a*t*t/(2*Gravity)-limit
	v0 := max(0, (-q+math.Sqrt(max(0, q*q-4*p*r)))/(2*p))
	v = v0 + up*t
	return v, v0*v0/(2*up) + v0*t + up*t*t/2 + v*v/(2*Gravity)
}

// cuts reports whether a limit that is passed takes the power off at once.
func (j *job) cuts(r *rules.Rule) bool {
	return j.Pad.Duty == interlock.Guard && r.Stop == rules.Immediate && r.Form == rules.Above && j.fed(r.Watch)
}

// isRise reports whether a limit on the channel ends a runaway upward.
func isRise(id rules.ChannelID) bool { return isHeight(id) || id == rules.Climb }
