package hazard

import (
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/rules"
)

// Keep is how far people must stay away, m; null is not stated or not known.
type Keep struct {
	// Tether is the stretched tether with the craft's radius.
	Tether     *float64 `json:"tether_and_craft_m"`
	Parted     *float64 `json:"parted_tether_m"`
	Blade      *float64 `json:"blade_throw_m"`
	Out        *float64 `json:"keep_out_m"` // the largest of those known
	Separation *float64 `json:"walk_in_m"`  // S = K T + C
}

// stretched is the tether's length just before it parts, as far as it is stated.
func stretched(t *rules.Tether) float64 {
	if t.Slow.Share == 0 {
		return t.Length
	}
	return t.Length * (1 + t.Slow.Share*max(1, t.BreakingStrength/t.Slow.At))
}

// keepOut reports how far people must stay away.
func (j *job) keepOut() {
	k := &j.out.Keep
	radius := j.Pad.Craft.Radius
	if j.Card != nil {
		radius = max(radius, j.Card.Craft.Radius)
	}
	if l := stretched(&j.Envelope.Tether); l > 0 {
		text := fmt.Sprintf("Keep out of %s at the very least: the tether", j.up(l+radius, rules.Length))
		k.Tether = some(l + radius)
		if l > j.Envelope.Tether.Length {
			text += fmt.Sprintf(", stretched to %s just before it parts (a rope that stiffens stretches less: on the high side),", j.up(l, rules.Length))
		} else {
			text += " (how far it stretches is not stated: on the low side)"
		}
		if radius > 0 {
			text += " and the craft's radius"
		} else {
			text += "; the craft's radius is not stated"
		}
		j.say("%s. A parted tether or a thrown blade reaches farther.", text)
		j.parted(l)
	}
	if j.Card != nil && j.Card.Craft.BladeThrow > 0 {
		k.Blade = some(j.Card.Craft.BladeThrow)
		j.say("A thrown blade reaches %s, as the test card states.", j.up(j.Card.Craft.BladeThrow, rules.Length))
	} else {
		j.say("How far a thrown blade reaches is not stated (blade_throw under [craft] of the test card).")
	}
	for _, v := range []*float64{k.Tether, k.Parted, k.Blade} {
		if v != nil && (k.Out == nil || *v > *k.Out) {
			k.Out = some(*v)
		}
	}
	if k.Out != nil && (k.Parted != nil || k.Blade != nil) {
		j.say("So keep out of %s, the largest of what is known. Drag shortens it, wind may lengthen it; an observer and the emergency stop come on top.", j.up(*k.Out, rules.Length))
	}
	if j.Pad.Duty == interlock.Guard {
		t := j.Stop.Rotors.Standing.Seconds() + j.Pad.LongestGap.Seconds() + j.Pad.PinStale.Seconds()
		k.Separation = some(separation(walkingSpeed, t, bodyReach))
		j.say("Nobody within %s of the rotors who could walk in while they stop: S = K T + C with K %s, T %s with the rotors standing after %s (%s), C %s (ISO 13855; check C in the standard). Somebody who runs is there sooner: on the low side. It counts from a gate that is watched, not from the rope of a barrier.",
			j.up(*k.Separation, rules.Length), j.up(walkingSpeed, rules.Speed), j.up(t, rules.Duration), rules.FormatDuration(j.Stop.Rotors.Standing), j.Stop.Rotors.Says(), j.up(bodyReach, rules.Length))
	}
}

// late is how many lengths of the stretched tether a reach limit may be and still
// be one that finds out a parted tether; ours.
const late = 3

// parted judges a tether that parts while the craft goes off level at full thrust.
// It keeps the speed that it has there and goes on, until a limit on how far it is
// takes its thrust: one beyond the tether when it has parted, one within before.
// From rest over the anchor it passes the limit R at √(2 a R).
func (j *job) parted(l float64) {
	far, by, cut := math.Inf(1), "", false
	h := j.top
	if math.IsInf(h, 1) {
		h = l
	}
	a := Sideways(j.full)
	for i := range j.Envelope.Rules {
		r, t := &j.Envelope.Rules[i], j.budgets[i].Gone
		if !j.cuts(r) || !isReach(r.Watch) {
			continue
		}
		cut = true
		v0 := FromRest(a, r.Limit)
		gone := max(l, r.Limit+v0*t+a*t*t/2)
		if x := gone + throw(v0+a*t, h); x < far {
			far, by = x, r.Name
		}
	}
	if !cut && j.Pad.Duty == interlock.Guard {
		j.warn("no rule that cuts at once watches how far the craft is (craft.slant_range or craft.distance), so nothing here sees a parted tether: that is for the observer and the emergency stop. A limit a little beyond the stretched tether, %s, finds it out", j.up(l, rules.Length))
	}
	if !cut || a <= 0 {
		return
	}
	j.out.Keep.Parted = some(far)
	j.say("If the tether parts at full thrust, the craft may come down %s from the anchor before %q has stopped it. It is taken to start from rest over the anchor, to go off level, and the tether to brake nothing (no drag: on the high side; a craft that flies across the whole circle first is faster: on the low side).",
		j.up(far, rules.Length), by)
}
