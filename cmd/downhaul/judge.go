package main

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock/pad"
	"downhaul/rules"
)

// standardGravity is 9.80665 m/s² (3rd General Conference on Weights and
// Measures, 1901).
const standardGravity = 9.80665

// budget is the longest that a rule may take, worked out from what the files
// say. It holds no figure that nobody measured on this pad: what is missing is
// named, not guessed.
type budget struct {
	// Value is from the excursion to the decision while values come; one of
	// them may be lost (ours). Silence is from the last good value to the
	// decision. Whichever is longer counts.
	Value   float64 `json:"by_value_s"`
	Silence float64 `json:"by_silence_s"`
	// Relay is until the relay opens, Grace not counted.
	Relay float64 `json:"to_relay_s"`
	Grace float64 `json:"grace_s"`
	// Rotors is from relay open to rotors stopped; null until it was measured.
	Rotors *float64 `json:"rotors_s"`
}

// lost is how many values in a row may be lost; ours.
const lost = 1

// filters are the spans over which derived channels average: so long may a
// step take to show whole.
var filters = map[rules.ChannelID]time.Duration{
	rules.Gust: 3 * time.Second, rules.Mean2: 2 * time.Minute, rules.Mean10: 10 * time.Minute, rules.Sway: 5 * time.Second,
	rules.LinkLoss: 10 * time.Second, rules.Peak10: 3 * time.Second, rules.Lull10: 3 * time.Second,
}

// reaction is the budget of one rule on this pad: max(filter + period · (1 +
// lost) + lasting, stale_after) + the longest turn of the loop, then the chain.
func reaction(r *rules.Rule, p *pad.Pad) budget {
	period := r.Watch.Channel().Period
	if p.LoadCell.Fitted && (r.Watch == rules.Tension || r.Watch == rules.TensionRate) {
		period = time.Duration(float64(time.Second) / p.LoadCell.Rate)
	}
	value := filters[r.Watch] + r.Over + (1+lost)*period + r.Lasting
	b := budget{Value: value.Seconds(), Silence: r.StaleAfter.Seconds(), Grace: r.Grace.Seconds()}
	b.Relay = max(b.Value, b.Silence) + p.LongestGap.Seconds()
	if p.Stop.Proven {
		s := p.Stop.Time.Seconds()
		b.Rotors = &s
	}
	return b
}

// says is the budget in a sentence.
func (b budget) says(stop rules.Stop) string {
	seconds := func(v float64) string { return rules.Format(v, "s") }
	if stop == rules.NoStop {
		return fmt.Sprintf("Caution within %s.", seconds(b.Relay))
	}
	text := fmt.Sprintf("Relay open within %s", seconds(b.Relay))
	if stop == rules.Controlled {
		text = fmt.Sprintf("Told within %s, relay open at most %s later", seconds(b.Relay), seconds(b.Grace))
	}
	if b.Rotors == nil {
		return text + "; how long the rotors then turn was not measured."
	}
	return text + fmt.Sprintf(", rotors stopped %s after.", seconds(*b.Rotors))
}

// fallSpeed is the speed after a free fall from a height, v = √(2 g h): without
// drag, so on the high side. fallTime is how long it takes, t = √(2 h / g).
func fallSpeed(h float64) float64 { return math.Sqrt(2 * standardGravity * max(h, 0)) }
func fallTime(h float64) float64  { return math.Sqrt(2 * max(h, 0) / standardGravity) }

// runaway is the height that a craft in hover gains when it goes to full thrust
// for a time and then coasts: ½ a t² + (a t)² / 2g with a = full thrust over
// mass less g. Without drag, so on the high side.
func runaway(acceleration float64, t time.Duration) float64 {
	a, s := max(0, acceleration-standardGravity), t.Seconds()
	return a*s*s/2 + (a*s)*(a*s)/(2*standardGravity)
}

// workingLoad is breaking strength over design factor (Cordage Institute
// CI 1401), 0 when not stated.
func workingLoad(t *rules.Tether) float64 {
	if t.DesignFactor == 0 {
		return 0
	}
	return t.BreakingStrength / t.DesignFactor
}

// closingSpeed is the speed at which a mass may run into the tether's end
// without passing the working load: v = WLL / √(k m), with k the tether's
// stiffness in N/m. Weight and thrust are left out. 0 when something is not
// stated.
func closingSpeed(t *rules.Tether, mass float64) float64 {
	if t.Stretch == 0 || t.Length == 0 || mass == 0 {
		return 0
	}
	return workingLoad(t) / math.Sqrt(t.StretchAt/(t.Stretch*t.Length)*mass)
}

// approach is how near a person may be who walks up while the rotors stop:
// S = K T + C with K = 1.6 m/s (ISO 13855, seen in makers' manuals) and C =
// 0.85 m for a whole body (from memory).
func approach(stop time.Duration) float64 { return 1.6*stop.Seconds() + 0.85 }

// judge says what the limits of an envelope are worth on this pad, and warns of
// those that cannot do their job. mass is the heaviest that flies, kg; 0 when
// no file says so.
func judge(e *rules.Envelope, p *pad.Pad, mass float64) (says, warnings []string) {
	show := func(v float64, k rules.Kind) string { return rules.Format(v, rules.DefaultUnit(k, e.Units)) }
	say := func(format string, args ...any) { says = append(says, fmt.Sprintf(format, args...)) }
	warn := func(format string, args ...any) { warnings = append(warnings, fmt.Sprintf(format, args...)) }
	told := 0
	top := math.Inf(1)
	for i := range e.Rules {
		r := &e.Rules[i]
		if p.Fed(r.Watch) == rules.CraftSays {
			told++
		}
		if r.Form != rules.Above || r.Stop == rules.NoStop || p.Fed(r.Watch) == rules.NotFed {
			continue
		}
		switch w := workingLoad(&e.Tether); {
		case (r.Watch == rules.Tension || r.Watch == rules.WinchTension) && w > 0 && r.Limit > w:
			warn("%q allows %s, and the working load of the tether is %s (breaking strength over design factor)",
				r.Name, rules.Format(r.Limit, r.Unit), rules.Format(w, r.Unit))
		case isHeight(r.Watch):
			top = min(top, r.Limit)
			if l := e.Tether.Length; l > 0 && r.Limit >= l {
				warn("%q can hardly act: its limit is %s, and the tether is only %s long", r.Name, rules.Format(r.Limit, r.Unit), rules.Format(l, r.Unit))
			}
		case r.Watch == rules.SlantRange || r.Watch == rules.Distance:
			if l := e.Tether.Length; l > 0 && r.Limit >= l {
				warn("%q can hardly act: its limit is %s, and the tether is only %s long", r.Name, rules.Format(r.Limit, r.Unit), rules.Format(l, r.Unit))
			}
		}
	}
	if told > 0 {
		say("%d of %s rest only on what the craft says of itself. The link's own constant delay comes on top of their times; it is not measured by these files.", told, plural(len(e.Rules), "rule"))
	}
	if !math.IsInf(top, 1) {
		say("Power off at %s: it falls for up to %s and arrives with up to %s.", show(top, rules.Length), rules.Format(fallTime(top), "s"), show(fallSpeed(top), rules.Speed))
	}
	if w := workingLoad(&e.Tether); w > 0 {
		text := fmt.Sprintf("The tether's working load is %s", show(w, rules.Force))
		if v := closingSpeed(&e.Tether, mass); v > 0 {
			text += fmt.Sprintf("; %s may run into its end with %s at most", show(mass, rules.Mass), show(v, rules.Speed))
		}
		say("%s. A knot can halve it.", text)
	}
	if l := e.Tether.Length; l > 0 {
		text := fmt.Sprintf("Keep out of %s at the very least: the tether", show(l+p.Craft.Radius, rules.Length))
		if p.Craft.Radius > 0 {
			text += " and the craft's radius"
		} else {
			text += "; the craft's radius is not stated"
		}
		say("%s. A parted tether or a thrown blade reaches farther.", text)
	}
	if p.Stop.Proven {
		say("Nobody within %s of the rotors who could walk in while they stop.", show(approach(p.Stop.Time), rules.Length))
	}
	if a := p.Height.MaxAcceleration; a > 0 {
		say("A runaway from hover to full thrust gains %s until its coast ends, if thrust is gone after %s.",
			show(runaway(a, p.Height.Reaction), rules.Length), rules.FormatDuration(p.Height.Reaction))
		if p.Stop.Proven && p.Height.Reaction < p.Stop.Time+p.LongestGap {
			warn("the predicted apex counts on no thrust after %s, but relay open to rotors stopped was measured as %s: make sure that the thrust is gone so soon, or write a longer reaction",
				rules.FormatDuration(p.Height.Reaction), rules.FormatDuration(p.Stop.Time))
		}
	}
	return says, warnings
}

func isHeight(id rules.ChannelID) bool {
	switch id {
	case rules.Apex, rules.Height, rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance:
		return true
	}
	return false
}
