package hazard

import (
	"fmt"

	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

// converterEnd is the last count of a 24-bit converter.
const converterEnd = 1<<23 - 1

func (l *looker) cellEnds() {
	if l.Pad == nil || !l.Pad.LoadCell.Fitted {
		return
	}
	c := &l.Pad.LoadCell
	low, high := float64(c.Low), float64(c.High)
	if c.Low == c.High {
		low, high = -converterEnd, converterEnd
	}
	most := max((high-float64(c.Zero))*c.NewtonsPerCount, (low-float64(c.Zero))*c.NewtonsPerCount)
	l.eachRule(func(r *rules.Rule) {
		if r.Watch == rules.Tension && r.Form == rules.Above && r.Limit >= most {
			l.limit(r.Line, fmt.Sprintf("%q can never act: the load cell reads %s at most", r.Name, rounding.Show(most, r.Unit, 3, rounding.Down)), "lower it, or mend the calibration under [load_cell]")
		}
	})
}

// knownLoads looks at the loads of the calibration, which hung on the cell.
func (l *looker) knownLoads() {
	if l.Pad == nil || l.Envelope == nil || l.Envelope.Tether.LoadCell == 0 {
		return
	}
	bears := l.Envelope.Tether.LoadCell
	for _, row := range document.Parse("", l.PadFile.Text).Root().Table("load_cell").Rows("known") {
		if n, err := pad.ParseLoad(fmt.Sprint(row.Value("load"))); err == nil && n > bears {
			l.tell(l.PadFile.Fault(row.Line(), "is more than the load cell's working load of "+rules.Format(bears, rules.DefaultUnit(rules.Force, l.Envelope.Units)), "mend the load, or load_cell under [tether]", "load_cell.known[].load"), l.On("envelope tether.load_cell"))
		}
	}
}

// strength is what knot and age leave of the rope's breaking strength, N.
func strength(t *rules.Tether) float64 {
	left := t.BreakingStrength
	for _, share := range []float64{t.Knot, t.Age} {
		if share > 0 {
			left *= share
		}
	}
	return left
}

func (l *looker) parts() {
	if l.Envelope == nil || l.Envelope.Tether.BreakingStrength == 0 {
		return
	}
	t := &l.Envelope.Tether
	unit := rules.DefaultUnit(rules.Force, l.Envelope.Units)
	if l.Pad != nil {
		if up, left := l.mass()*(l.Pad.Height.MaxAcceleration-Gravity), strength(t); up > left {
			l.tell(l.LimitFile.Fault(0, fmt.Sprintf("the tether parts as soon as the craft pulls up at it: full thrust less the weight is %s, and %s of its strength are left",
				rounding.Show(up, unit, 3, rounding.Up), rounding.Show(left, unit, 3, rounding.Down)), "take a stronger tether, or mend the figures", "tether.breaking_strength"))
		}
	}
	slow, quick := t.Slow.At > t.BreakingStrength, t.Fast.At > t.BreakingStrength
	strong := l.On("envelope tether.breaking_strength")
	switch {
	case slow && quick:
		l.tell(l.LimitFile.Fault(0, "is less than the loads at which both stretches were measured, and the rope did not part", "mend the strength, or the loads of stretch and fast_stretch", "tether.breaking_strength"))
	case slow || quick:
		key := map[bool]string{true: "stretch", false: "fast_stretch"}[slow]
		l.tell(l.LimitFile.Fault(0, "was measured at more than the rope's breaking strength of "+rules.Format(t.BreakingStrength, unit), "hang a load on it that it bears, and measure", "tether."+key), strong)
	}
}

// mostGiven is how many times its length a rope is at most when it parts; ours.
const mostGiven = 4

// Stretches of any rope at a load that is held on purpose: ours.
const leastStretch, mostStretch = 0.001, 0.6

func (l *looker) tether() {
	if l.Envelope == nil {
		return
	}
	t := &l.Envelope.Tether
	radius := 0.0
	if l.Pad != nil {
		radius = l.Pad.Craft.Radius
	}
	if l.Card != nil {
		radius = max(radius, l.Card.Craft.Radius)
	}
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Envelope.Units)) }
	say := func(wrong, mend, key string) { l.tell(l.LimitFile.Fault(0, wrong, mend, "tether."+key)) }
	if t.Length > 0 && radius > t.Length {
		say("is shorter than the craft's radius of "+show(radius), "measure both: rotors would reach past the anchor", "length")
	}
	if w, weakest, _ := LeastLoad(t); l.Pad != nil && w > 0 {
		unit := rules.DefaultUnit(rules.Force, l.Envelope.Units)
		if up := l.mass() * (l.Pad.Height.MaxAcceleration - Gravity); up > w {
			key := map[string]string{"the shackle": "shackle", "the anchor": "anchor", "the attachment": "attachment", "the load cell": "load_cell"}[weakest]
			if key == "" {
				key = "breaking_strength"
			}
			l.tell(l.LimitFile.Fault(0, fmt.Sprintf("%s bears %s at work, and full thrust less the weight pulls %s", weakest, rounding.Show(w, unit, 3, rounding.Down), rounding.Show(up, unit, 3, rounding.Up)), "take one that bears more, or mend the figures", "tether."+key),
				l.On(onThrust...), l.On("envelope tether.design_factor", "envelope tether.knot", "envelope tether.age"))
		}
	}
	unlikely := false
	for _, s := range []struct {
		key string
		of  rules.Stretch
	}{{"stretch", t.Slow}, {"fast_stretch", t.Fast}} {
		if s.of.Share > 0 && (s.of.Share < leastStretch || s.of.Share > mostStretch) {
			unlikely = true
			say(fmt.Sprintf("ropes give from %s to %s", rules.Format(leastStretch, "%"), rules.Format(mostStretch, "%")), "hang a load on it and measure", s.key)
		}
	}
	if !unlikely && t.Slow.Share > 0 && stretched(t) > mostGiven*t.Length && t.Length > 0 {
		l.tell(l.LimitFile.Fault(0, fmt.Sprintf("by it the rope is %.0f times as long just before it parts", stretched(t)/t.Length), "hang a load on it that is some of its working load, and measure", "tether.stretch"), l.On("envelope tether.breaking_strength"))
	}
	if t.BreakingStrength > 0 && t.DesignFactor == 0 {
		say("has no design_factor beside it, so that the rope's working load is not known", "write design_factor = 10, or what its maker says", "breaking_strength")
	}
	if (t.BreakingStrength > 0 || t.Slow.Share > 0) && t.Length == 0 {
		say("the tether's length is missing, so that nobody knows how far and how high the craft gets", `write length = "12 m"`, map[bool]string{true: "breaking_strength", false: "stretch"}[t.BreakingStrength > 0])
	}
	if t.BreakingStrength == 0 && (t.DesignFactor > 0 || t.Knot > 0 || t.Age > 0) {
		l.tell(l.LimitFile.Fault(0, "has no breaking_strength beside it, so that the rope's working load is not known", `write breaking_strength = "44 kN", or what its maker says`, "tether.design_factor", "tether.knot", "tether.age"))
	}
	if t.Fast.Share > 0 && t.Slow.Share == 0 {
		say("has no stretch beside it, so that keep-out counts a tether that does not stretch", `hang a load on it, measure, and write stretch = "12 % at 5 kN"`, "fast_stretch")
	}
	if s, f := t.Slow, t.Fast; !unlikely && s.Share > 0 && f.Share > 0 && f.Share/f.At > s.Share/s.At*(1+apart) {
		say("gives more to a snatch than to a slow pull, and ropes are stiffer to a snatch", "look whether the two stand the right way round", "fast_stretch")
	}
}

// hardlyRoom is the share of the tether under which a limit of reach is a slip of the
// unit or of the decimals; ours.
const hardlyRoom = 0.2

// pastTether looks at limits that the tether itself keeps.
func (l *looker) pastTether() {
	l.eachRule(func(r *rules.Rule) {
		length, limit := l.Envelope.Tether.Length, rules.Format(r.Limit, r.Unit)
		in := func(v float64) string { return rounding.Show(v, r.Unit, 3, rounding.Up) }
		switch most := stretched(&l.Envelope.Tether); {
		case r.Form != rules.Above || length == 0:
		case isReach(r.Watch) && r.Stop != rules.NoStop && r.Limit > late*most:
			l.limit(r.Line, fmt.Sprintf("%q can hardly act: its limit is %s, and the tether reaches %s before it parts. A little beyond that, it finds out a parted tether in time", r.Name, limit, in(most)), "",
				l.On("envelope tether.stretch", "envelope tether.breaking_strength"))
		case isReach(r.Watch) && r.Stop != rules.NoStop && r.Limit < hardlyRoom*length:
			l.limit(r.Line, fmt.Sprintf("%q leaves hardly room to fly in: %s of a tether of %s", r.Name, limit, in(length)), "raise it")
		case isHeight(r.Watch) && r.Limit >= length:
			l.limit(r.Line, fmt.Sprintf("%q can hardly act: its limit is %s, and the tether is only %s long", r.Name, limit, in(length)), "")
		}
	})
}

// pastLoad looks at tension limits, whether a load cell is fitted or not.
func (l *looker) pastLoad() {
	l.eachRule(func(r *rules.Rule) {
		w, weakest, _ := LeastLoad(&l.Envelope.Tether)
		// The same load, once worked out and once written down, differs in its last digit.
		if isTension(r.Watch) && r.Form == rules.Above && w > 0 && r.Limit > w*(1+1e-12) {
			l.limit(r.Line, fmt.Sprintf("%q allows %s, and the working load of the tether is %s (%s)", r.Name, rounding.Show(r.Limit, r.Unit, 3, rounding.Near), rounding.Show(w, r.Unit, 3, rounding.Down), weakest), "")
		}
	})
}
