package hazard

import (
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// onGround reports whether the limits are those of a step on the ground, where nothing
// hovers.
func (l *looker) onGround() bool {
	return l.Card != nil && l.Envelope != nil && slices.ContainsFunc(l.Card.Steps, func(s card.Step) bool {
		return s.Kind == card.Ground && s.Envelope != "" && s.EnvelopeHash == l.Envelope.Hash
	})
}

// state is where a channel stands by these files: the predicted apex by the pad's
// errors and reaction, and no tension where something holds the craft down.
func (l *looker) state(id rules.ChannelID) state {
	s := stateOf(id, l.cells())
	switch {
	case isTension(id) && l.onGround():
		return state{}
	case isReach(id) && l.Pad != nil: // told from the anchor
		away := math.Hypot(l.Pad.Anchor.North, l.Pad.Anchor.East)
		for _, to := range []*span{&s.rest, &s.hover} {
			to.low, to.high = max(0, away-to.high), to.high+away
		}
	case id == rules.Apex && l.Pad != nil && l.Pad.Height.MaxAcceleration > 0:
		top := l.Standing(l.Pad.Reaction(rules.ThrustGone{}).Seconds(), sense.Freshest)
		s.rest = span{top, top, true}
	}
	return s
}

// where gives the states in which a rule counts, each with its name. That an apex is
// past a ceiling at rest is told by sense, with the room that it leaves.
func (l *looker) where(r *rules.Rule) (spans []span, names []string) {
	if r.Watch == rules.Apex && r.Form == rules.Above {
		return nil, nil
	}
	s := l.state(r.Watch)
	if r.While != rules.Airborne {
		spans, names = append(spans, s.rest), append(names, "at rest on the pad")
	}
	if !l.onGround() {
		spans, names = append(spans, s.hover), append(names, "in a quiet hover")
	}
	return spans, names
}

func (l *looker) tripsAlways() {
	l.eachRule(func(r *rules.Rule) {
		spans, names := l.where(r)
		for i, s := range spans {
			if all, _ := s.beyond(r.Form, r.Limit, r.LimitHigh); all {
				l.limit(r.Line, fmt.Sprintf("%q trips %s, where %s is %s", r.Name, names[i], r.Watch, s.says(r.Watch, r.Unit)), "turn the limit round, or mend the number", l.onAnchor(r))
				return
			}
		}
	})
}

// onAnchor is where the anchor stands, for limits that count from it.
func (l *looker) onAnchor(r *rules.Rule) []Place {
	if !isReach(r.Watch) {
		return nil
	}
	return l.On("pad anchor.north", "pad anchor.east")
}

func (l *looker) tripsAtTimes() {
	l.eachRule(func(r *rules.Rule) {
		spans, names := l.where(r)
		for i, s := range spans {
			all, some := s.beyond(r.Form, r.Limit, r.LimitHigh)
			switch {
			case all:
				return // refused
			case some:
				l.limit(r.Line, fmt.Sprintf("%q may trip %s, where %s is %s", r.Name, names[i], r.Watch, s.says(r.Watch, r.Unit)), "leave room between the limit and what is usual", l.onAnchor(r))
				return
			}
		}
		for i, s := range spans {
			if _, cautions := s.beyond(r.Form, r.Caution, r.CautionHigh); r.HasCaution && cautions {
				l.caution(r, fmt.Sprintf("%q cautions %s, where %s is %s", r.Name, names[i], r.Watch, s.says(r.Watch, r.Unit)))
				return
			}
		}
		// In the air it counts until the craft is told to have landed.
		if all, _ := l.state(r.Watch).rest.beyond(r.Form, r.Limit, r.LimitHigh); all && r.While == rules.Airborne && !l.onGround() && r.Stop != rules.NoStop {
			l.limit(r.Line, fmt.Sprintf("%q trips at every take-off and landing: at rest on the pad %s is %s", r.Name, r.Watch, l.state(r.Watch).rest.says(r.Watch, r.Unit)), "write a limit that the craft keeps on the ground as well")
		}
	})
}

// nearCaution is how near, as a share of the limit, a caution may stand: ours,
// common practice without a source. Nearer, nobody has time to act on it.
const nearCaution = 0.02

func (l *looker) cautionNear() {
	l.eachRule(func(r *rules.Rule) {
		if !r.HasCaution || r.Form == rules.Is || r.Form == rules.IsNot {
			return
		}
		near := func(caution, limit float64) bool {
			gap := math.Abs(limit - caution)
			return gap <= r.Deadband || gap < nearCaution*math.Abs(limit)
		}
		if near(r.Caution, r.Limit) || r.Form == rules.Outside && near(r.CautionHigh, r.LimitHigh) {
			l.tell(l.LimitFile.Fault(r.Line, fmt.Sprintf("%q cautions at %s, so near its limit of %s that nobody can act on it in time",
				r.Name, rules.FormatExact(r.Caution, r.Unit), rules.FormatExact(r.Limit, r.Unit)), "", "rule[].caution"), l.LimitFile.Places(r.Line, limitKeys...))
		}
	})
}

// noise is the share of what a channel does in a hover anyway under which a change
// within the span of a rate means nothing; ours.
const noise = 0.25

func (l *looker) actsLate() {
	l.eachRule(func(r *rules.Rule) {
		if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
			l.rate(r)
			return
		}
		l.neverGets(r)
		if at := l.state(r.Watch).rest; r.Watch == rules.Apex && r.Form == rules.Below && at.known && r.Limit <= at.low {
			l.limit(r.Line, fmt.Sprintf("%q can never act: standing on the pad the predicted apex is %s already", r.Name, rules.Format(at.low, r.Unit)), "take it out", l.On(onCeiling...))
		}
		s := stateOf(r.Watch, l.cells()).acts
		if !s.known {
			return
		}
		high := r.Limit
		if r.Form == rules.Outside {
			high = r.LimitHigh
		}
		switch up, down := r.Form == rules.Above || r.Form == rules.Outside, r.Form == rules.Below || r.Form == rules.Outside; {
		case up && high < s.low:
			l.limit(r.Line, fmt.Sprintf("%q trips as soon as anything flies: %s is more than %s then", r.Name, r.Watch, rules.Format(s.low, r.Unit)), "raise it")
		case up && high > s.high:
			l.limit(r.Line, fmt.Sprintf("%q acts too late or never: past %s of %s nothing is left to save, or it never gets there", r.Name, rules.Format(s.high, r.Unit), r.Watch), "lower it to "+rules.Format(s.high, r.Unit)+" or less")
		case down && r.Limit < s.low:
			l.limit(r.Line, fmt.Sprintf("%q acts too late or never: below %s of %s nothing is left to save, or it never gets there", r.Name, rules.Format(s.low, r.Unit), r.Watch), "raise it to "+rules.Format(s.low, r.Unit)+" or more")
		}
	})
}

// rate looks at a limit of how fast a channel may change.
func (l *looker) rate(r *rules.Rule) {
	s, change := l.state(r.Watch), r.Limit*r.Over.Seconds()
	show := func(v float64) string {
		return rules.FormatDifference(v, rules.DefaultUnit(r.Watch.Channel().Kind, l.Envelope.Units))
	}
	length := 2 * l.Envelope.Tether.Length
	switch {
	case s.hover.known && change < noise*(s.hover.high-s.hover.low):
		l.limit(r.Line, fmt.Sprintf("%q may trip in any hover: %s changes by more than %s in %s there", r.Name, r.Watch, show(change), rules.FormatDuration(r.Over)), "raise it, or take the rate over a longer time")
	case s.acts.known && change > s.acts.high-s.acts.low, length > 0 && change > length && (isHeight(r.Watch) || isReach(r.Watch)):
		l.limit(r.Line, fmt.Sprintf("%q acts too late or never: %s would have to change by %s in %s", r.Name, r.Watch, show(change), rules.FormatDuration(r.Over)), "lower it")
	}
}

// neverGets looks at limits above what full thrust draws or packs hold.
func (l *looker) neverGets(r *rules.Rule) {
	if l.Card == nil || r.Form != rules.Above {
		return
	}
	most, what, capacity := 0.0, "", 0.0
	for i := range l.Card.Packs {
		capacity += l.Card.Packs[i].Capacity
	}
	switch r.Watch {
	case rules.Pack1Current, rules.SupplyCurrent, rules.ESCCurrent:
		most, what = l.Card.Motors.Current, "all motors together draw %s at full thrust"
	case rules.Pack1Charge:
		most, what = capacity, "the packs hold %s in all"
	}
	if most > 0 && r.Limit >= most {
		l.limit(r.Line, fmt.Sprintf("%q acts too late or never: "+what, r.Name, rules.Format(most, r.Unit)), "lower it")
	}
}

// quick are channels whose excursions hurt within a second or so, with how long an
// on-delay may be for them; ours.
func quick(id rules.ChannelID) (most time.Duration, ok bool) {
	switch {
	case isHeight(id), id == rules.Climb, id == rules.ClimbLocal, id == rules.ClimbGlobal, id == rules.ClimbHUD,
		id == rules.Tilt, id == rules.Roll, id == rules.Pitch, id == rules.RollRate, id == rules.PitchRate, isTension(id), id == rules.TensionRate, id == rules.LinkAge:
		return 1500 * time.Millisecond, true
	case isReach(id), id == rules.Sway, id == rules.YawRate, id == rules.Vibration, id == rules.MotorHighest, id == rules.MotorHeadroom, id == rules.MotorSpread, id == rules.RotorSpeed:
		return 5 * time.Second, true
	}
	return 0, false
}

// LongestSilence is how long a limit may take no notice of a silence of its channel
// without being warned of: what hurts quickly is told quickly.
func LongestSilence(id rules.ChannelID) time.Duration {
	if most, ok := quick(id); ok {
		return 2 * most
	}
	return rules.LongestTime
}

func (l *looker) waits() {
	l.eachRule(func(r *rules.Rule) {
		most, ok := quick(r.Watch)
		if !ok {
			return
		}
		if r.Lasting > most {
			wrong := fmt.Sprintf("%q waits %s past its limit before anything is done", r.Name, rules.FormatDuration(r.Lasting))
			if l.Pad != nil && l.Pad.Height.MaxAcceleration > Gravity && isHeight(r.Watch) {
				b := Reaction(r, l.Pad, l.stop, l.heard)
				by, _ := denser(l.Card)
				wrong += fmt.Sprintf(", and a runaway goes on to %s meanwhile", rounding.Show(topOf(by*l.Pad.Height.MaxAcceleration, r.Limit, b.Gone), r.Unit, 3, rounding.Up))
			}
			l.tell(l.LimitFile.Fault(r.Line, wrong, "write "+rules.FormatDuration(most)+" or less", "rule[].lasting"))
		}
		if r.StaleAfter > LongestSilence(r.Watch) {
			l.tell(l.LimitFile.Fault(r.Line, fmt.Sprintf("%q takes no notice of a silence of %s, and the craft is blind for so long", r.Name, rules.FormatDuration(r.StaleAfter)),
				"write "+rules.FormatDuration(2*most)+" or less, or have the craft tell it oftener", "rule[].stale_after"))
		}
	})
}

func (l *looker) beaten() {
	l.eachRule(func(r *rules.Rule) {
		l.eachRule(func(by *rules.Rule) {
			tighter := r.Form == rules.Above && by.Limit < r.Limit || r.Form == rules.Below && by.Limit > r.Limit || (r.Form == rules.Above || r.Form == rules.Below) && by.Limit == r.Limit && by.Line < r.Line
			if l.Pad != nil && l.Pad.Fed(by.Watch) == rules.NotFed || by.Watch != r.Watch || by.Form != r.Form || by.Stop < r.Stop || by.While > r.While || by.Lasting > r.Lasting || by.Stop == rules.NoStop ||
				!tighter || by.Stop == rules.Controlled && (r.Stop != rules.Controlled || by.Grace > r.Grace) {
				return
			}
			l.limit(r.Line, fmt.Sprintf("%q never acts first: %q on line %d has the limit %s, which is no wider, and stops no later", r.Name, by.Name, by.Line, rules.FormatExact(by.Limit, by.Unit)), "take one of them out, or mend the number")
		})
	})
}

// least is how much room a hover needs over the pad, m; ours.
const least = 0.5

func (l *looker) room() {
	l.eachRule(func(r *rules.Rule) {
		if l.Pad == nil || r.Watch != rules.Apex || r.Form != rules.Above || r.Stop == rules.NoStop || l.Pad.Height.MaxAcceleration == 0 {
			return
		}
		thrust := rules.ThrustGone{Gone: l.Pad.FullThrustAfter()} // no stop is shorter
		if l.stop.Thrust.Measured {
			thrust = l.stop.Thrust
		}
		from := source(r.Watch, l.Pad)
		age, how := from.Channel().Period, "usual"
		if l.heard != nil {
			if every, ok := l.heard(from); ok {
				age, how = every, "as heard"
			}
		}
		top := l.Standing(l.Pad.Reaction(thrust).Seconds(), age.Seconds())
		if refused := l.Standing(l.Pad.Reaction(rules.ThrustGone{}).Seconds(), sense.Freshest) >= r.Limit; top > r.Limit-least && !refused {
			show := func(v float64, way rounding.Way) string { return rounding.Show(v, r.Unit, 3, way) }
			l.limit(r.Line, fmt.Sprintf("this ceiling leaves %s to hover: standing on the pad the predicted apex comes to %s between two heights %s apart (%s), with %s to no thrust",
				show(r.Limit-top, rounding.Down), show(top, rounding.Up), rules.FormatDuration(age), how, rules.FormatDuration(l.Pad.Reaction(thrust))),
				"raise it as far as the tether allows, shorten reaction and errors under [height], or have the craft tell its height oftener (check --heard)")
		}
		if r.HasCaution && top > r.Caution {
			l.caution(r, fmt.Sprintf("%q cautions while the craft stands on the pad, where the predicted apex comes to %s", r.Name, rounding.Show(top, r.Unit, 3, rounding.Up)))
		}
	})
}

// fastDown is the speed of coming down past which nobody brings a craft down in order;
// ours, m/s.
const fastDown = 3

func (l *looker) descent() {
	top, from := math.Inf(1), 0
	l.eachRule(func(r *rules.Rule) {
		if isHeight(r.Watch) && r.Form == rules.Above && r.Stop != rules.NoStop && r.Limit < top {
			top, from = r.Limit, r.Line
		}
	})
	if l.Envelope == nil || math.IsInf(top, 1) {
		return
	}
	if first, leave := shortGraces(l.Envelope, top/fastDown, func(*rules.Rule) bool { return true }); first != nil {
		l.tell(l.LimitFile.Fault(first.Line, fmt.Sprintf("%s to come down, from %s that asks for %s", leave, rules.Format(top, rules.DefaultUnit(rules.Length, l.Envelope.Units)),
			rounding.Show(top/first.Grace.Seconds(), rules.DefaultUnit(rules.Speed, l.Envelope.Units), 3, rounding.Up)),
			"write "+rounding.Show(top, "s", 2, rounding.Up)+" or more, which is "+rules.Format(1, rules.DefaultUnit(rules.Speed, l.Envelope.Units)), "rule[].grace"), l.LimitFile.Places(from, limitKeys...))
	}
}
