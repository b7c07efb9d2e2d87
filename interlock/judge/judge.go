package judge

import (
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/stopping"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Case is what is judged: one envelope on one pad, with a card where there is
// one.
type Case struct {
	Envelope *rules.Envelope
	Pad      *pad.Pad
	Card     *card.Card // nil without one
	// Stop is what is known of the stop; Heard what was heard of the craft.
	Stop  stopping.Times
	Heard Heard
}

// Verdict is what an envelope is worth on a pad.
type Verdict struct {
	// Says and Warnings are for people, in the envelope's units.
	Says     []string
	Warnings []string
	Keep     Keep
	Rope     Rope
	// Craft lists the rules that rest only on what the craft says of itself.
	Craft []string
	// Budgets and Meanwhile stand in the order of the envelope's rules.
	Budgets   []Budget
	Meanwhile []Meanwhile
}

// Keep is how far people must stay away, m; null is not stated or not known.
type Keep struct {
	Tether     *float64 `json:"tether_and_craft_m"`
	Parted     *float64 `json:"parted_tether_m"`
	Blade      *float64 `json:"blade_throw_m"`
	Out        *float64 `json:"keep_out_m"` // the largest of those known
	Separation *float64 `json:"walk_in_m"`  // S = K T + C
}

// Rope is what the tether bears, N and m/s; null is not known.
type Rope struct {
	Breaking    *float64 `json:"breaking_strength_n"`
	WorkingLoad *float64 `json:"working_load_n"`
	Closing     *float64 `json:"closing_speed_m_s"`
	Snatch      *float64 `json:"runaway_snatch_n"`
	SnatchSpeed *float64 `json:"runaway_speed_m_s"`
}

// job is a verdict in the making.
type job struct {
	*Case
	out Verdict
	// mass is the heaviest that flies, kg; 0 when no file says so.
	mass    float64
	budgets []Budget // by rule
	// top is the lowest limit of height that takes the power off, m, reach the
	// whole budget of the rule that holds it.
	top   float64
	reach float64
}

func some(v float64) *float64 { return &v }

func (j *job) show(v float64, k rules.Kind) string {
	return rough(v, rules.DefaultUnit(k, j.Envelope.Units))
}

// keep is a distance to keep, rounded up.
func (j *job) keep(v float64) string {
	return roughUp(v, rules.DefaultUnit(rules.Length, j.Envelope.Units))
}

func (j *job) say(format string, args ...any) {
	j.out.Says = append(j.out.Says, fmt.Sprintf(format, args...))
}

func (j *job) warn(format string, args ...any) {
	j.out.Warnings = append(j.out.Warnings, fmt.Sprintf(format, args...))
}

func (j *job) fed(id rules.ChannelID) bool { return j.Pad.Fed(id) != rules.NotFed }

// Judge says what the limits of an envelope are worth on a pad, and warns of
// those that can not do their job.
func Judge(c Case) Verdict {
	j := &job{Case: &c, top: math.Inf(1)}
	j.out.Says, j.out.Warnings, j.out.Craft = []string{}, []string{}, []string{}
	if c.Card != nil {
		j.mass = c.Card.Heaviest()
	}
	for i := range c.Envelope.Rules {
		r := &c.Envelope.Rules[i]
		j.budgets = append(j.budgets, Reaction(r, c.Pad, c.Stop, c.Heard))
		if c.Pad.Fed(r.Watch) == rules.CraftSays {
			j.out.Craft = append(j.out.Craft, r.Name)
		}
		if isHeight(r.Watch) && r.Form == rules.Above && r.Stop != rules.NoStop && j.fed(r.Watch) && r.Limit < j.top {
			j.top, j.reach = r.Limit, j.budgets[i].Gone
		}
	}
	if n := len(j.out.Craft); n > 0 {
		j.say("%d of %s rest only on what the craft says of itself. The link's own constant delay comes on top of their times; it is not measured by these files.",
			n, plural(len(c.Envelope.Rules), "rule"))
	}
	for i := range c.Envelope.Rules {
		if r := &c.Envelope.Rules[i]; j.fed(r.Watch) {
			j.warnOfRule(r, &j.budgets[i])
		}
	}
	for _, name := range c.Pad.Strangers() {
		j.warn("link %s: anybody on that network can stop the flight with one datagram under the craft's name, because nothing tells the craft from others. Write from = the craft's address; an address can be forged, a signing key ([signing]) cannot", name)
	}
	j.height()
	j.rope()
	j.keepOut()
	j.out.Budgets = j.budgets
	for i := range c.Envelope.Rules {
		j.out.Meanwhile = append(j.out.Meanwhile, j.meanwhile(i))
	}
	return j.out
}

// height says what a cut means.
func (j *job) height() {
	if !math.IsInf(j.top, 1) {
		j.say("Power off at %s: it falls for up to %s and arrives with up to %s.",
			j.show(j.top, rules.Length), rough(FallTime(j.top), "s"), j.show(FallSpeed(j.top), rules.Speed))
		j.graceEnds()
	}
	a := j.Pad.Height.MaxAcceleration
	if a <= 0 {
		j.say("What the craft does while a rule acts is not known: the pad file states no full thrust and mass under [height].")
		return
	}
	counts := j.Pad.Reaction(j.Stop.Thrust)
	j.say("A runaway from hover to full thrust gains %s until its coast ends, if thrust is gone after %s. What is left of the thrust after the relay's opening counts as so much time of full thrust (%s).",
		j.show(Runaway(a, counts.Seconds()), rules.Length), rules.FormatDuration(counts), j.Stop.Thrust.Says())
	if stated := j.Pad.Height.Reaction; stated < j.Stop.Thrust.Gone+j.Pad.LongestGap {
		what := "the guard takes that instead"
		if counts == stated {
			what = "a rehearsal counts on what the file states"
		}
		j.warn("the pad file states no thrust %s after a sample (reaction under [height]), but thrust is gone %s after the relay's opening (%s) and the loop may be held up for %s: %s",
			rules.FormatDuration(stated), rules.FormatDuration(j.Stop.Thrust.Gone), j.Stop.Thrust.Says(), rules.FormatDuration(j.Pad.LongestGap), what)
	}
}

// graceEnds says what a controlled stop asks for, and what its end means.
func (j *job) graceEnds() {
	least := math.Inf(1)
	for i := range j.Envelope.Rules {
		if r := &j.Envelope.Rules[i]; r.Stop == rules.Controlled && j.fed(r.Watch) {
			least = min(least, r.Grace.Seconds())
		}
	}
	if math.IsInf(least, 1) || least <= 0 {
		return
	}
	j.say("The shortest grace is %s: from %s that asks for %s down. Who is not down by then is cut where he is, and falls as told above.",
		rough(least, "s"), j.show(j.top, rules.Length), j.show(j.top/least, rules.Speed))
}

// rope says what the tether bears and what a runaway does to it.
func (j *job) rope() {
	t := &j.Envelope.Tether
	w := WorkingLoad(t.BreakingStrength, t.DesignFactor)
	if t.BreakingStrength > 0 {
		j.out.Rope.Breaking = some(t.BreakingStrength)
	}
	if w <= 0 {
		return
	}
	j.out.Rope.WorkingLoad = some(w)
	k := Stiffness(t.Stretch, t.StretchAt, t.Length)
	text := fmt.Sprintf("The tether's working load is %s", j.show(w, rules.Force))
	if v := ClosingSpeed(w, k, j.mass); v > 0 {
		j.out.Rope.Closing = some(v)
		text += fmt.Sprintf("; %s may run into its end with %s at most", j.show(j.mass, rules.Mass), j.show(v, rules.Speed))
	}
	j.say("%s. The breaking strength, %s, is not a working load, and a knot can halve it.", text, j.show(t.BreakingStrength, rules.Force))
	switch {
	case k == 0:
		j.say("What a snatch pulls is not known: the envelope states no stretch of the tether (hang a known load on it and measure).")
		return
	case j.mass == 0:
		j.say("What a snatch pulls is not known: no test card states the mass.")
		return
	}
	j.snatch(w, k)
}

// snatch judges a craft that runs away from hover, at full thrust, into the
// end of its tether, before the fastest rule that sees it has its thrust gone.
func (j *job) snatch(w, k float64) {
	a := j.Pad.Height.MaxAcceleration - Gravity
	t, name := j.fastest(isHeight, isReach)
	if a <= 0 || math.IsInf(t, 1) {
		return
	}
	// The heaviest that flies is slower than what the pad file states, which
	// is the lightest: speed by the one, mass by the other is on the high side.
	v := a * t
	pull := Snatch(j.mass*a, k, j.mass, v)
	j.out.Rope.Snatch, j.out.Rope.SnatchSpeed = some(pull), some(v)
	t0 := &j.Envelope.Tether
	text := fmt.Sprintf("A runaway from a hover at the limit reaches %s before %q has its thrust gone; into the tether's end that pulls up to %s, %.0f %% of its breaking strength",
		j.show(v, rules.Speed), name, j.show(pull, rules.Force), 100*pull/t0.BreakingStrength)
	if pull > w {
		j.warn("%s and more than its working load of %s", text, j.show(w, rules.Force))
		return
	}
	j.say("%s and within its working load.", text)
}

// fastest is the least time to no thrust among the rules that cut at once on
// such a channel, with the rule's name; infinite without one.
func (j *job) fastest(kinds ...func(rules.ChannelID) bool) (least float64, name string) {
	least = math.Inf(1)
	for i := range j.Envelope.Rules {
		r := &j.Envelope.Rules[i]
		if r.Stop != rules.Immediate || !j.fed(r.Watch) {
			continue
		}
		for _, is := range kinds {
			if t := j.budgets[i].Gone; is(r.Watch) && t < least {
				least, name = t, r.Name
			}
		}
	}
	return least, name
}

// keepOut says how far people must stay away.
func (j *job) keepOut() {
	k := &j.out.Keep
	radius := j.Pad.Craft.Radius
	if j.Card != nil {
		radius = max(radius, j.Card.Craft.Radius)
	}
	l := j.Envelope.Tether.Length
	if l > 0 {
		text := fmt.Sprintf("Keep out of %s at the very least: the tether", j.keep(l+radius))
		k.Tether = some(l + radius)
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
		j.say("A thrown blade reaches %s, as the test card states.", j.keep(j.Card.Craft.BladeThrow))
	} else {
		j.say("How far a thrown blade reaches is not stated (blade_throw under [craft] of the test card).")
	}
	for _, v := range []*float64{k.Tether, k.Parted, k.Blade} {
		if v != nil && (k.Out == nil || *v > *k.Out) {
			k.Out = some(*v)
		}
	}
	if k.Out != nil && (k.Parted != nil || k.Blade != nil) {
		j.say("So keep out of %s, the largest of what is known. Drag shortens it, wind may lengthen it; an observer and the emergency stop come on top.", j.keep(*k.Out))
	}
	if j.Pad.Duty == interlock.Guard {
		t := j.Stop.Rotors.Standing.Seconds() + j.Pad.LongestGap.Seconds() + j.Pad.PinStale.Seconds()
		k.Separation = some(Separation(WalkingSpeed, t, BodyReach))
		j.say("Nobody within %s of the rotors who could walk in while they stop: S = K T + C with K 1.6 m/s, T %s with the rotors standing after %s (%s), C 0.85 m (ISO 13855; C from memory). It counts from a gate that is watched, not from the rope of a barrier.",
			j.keep(*k.Separation), roughUp(t, "s"), rules.FormatDuration(j.Stop.Rotors.Standing), j.Stop.Rotors.Says())
	}
}

// parted judges a tether that parts: the craft flies on until a rule on how far
// it is takes its thrust.
func (j *job) parted(l float64) {
	a := j.Pad.Height.MaxAcceleration
	t, name := j.fastest(isReach)
	if math.IsInf(t, 1) {
		j.warn("no rule that cuts at once watches how far the craft is (craft.slant_range or craft.distance), so nothing here sees a parted tether: that is for the observer and the emergency stop")
		return
	}
	if a <= 0 {
		return
	}
	h := j.top
	if math.IsInf(h, 1) {
		h = l
	}
	far := Parted(l, a, t, h)
	j.out.Keep.Parted = some(far)
	j.say("If the tether parts at full thrust, the craft may come down %s from the anchor before %q has stopped it (all thrust sideways, no drag: on the high side).",
		j.keep(far), name)
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func isHeight(id rules.ChannelID) bool {
	switch id {
	case rules.Apex, rules.Height, rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance:
		return true
	}
	return false
}

func isReach(id rules.ChannelID) bool { return id == rules.SlantRange || id == rules.Distance }

func isTension(id rules.ChannelID) bool { return id == rules.Tension || id == rules.WinchTension }
