package hazard

import (
	"fmt"

	"downhaul/rules"
)

func (l *looker) startsNever() {
	for i := 0; l.Envelope != nil && i < len(l.Envelope.Permissives); i++ {
		p := &l.Envelope.Permissives[i]
		rest := l.state(p.Watch).rest
		if some, _ := rest.meets(p); rest.known && !some {
			l.limit(p.Line, fmt.Sprintf("no start would ever be allowed: at rest on the pad %s is %s", p.Watch, rest.says(p.Watch, p.Unit)), "turn the condition round, or mend the number")
		}
	}
}

// hardly is the share of the usual at either end that few starts have; ours.
const hardly = 0.15

func (l *looker) startsAlways() {
	for i := 0; l.Envelope != nil && i < len(l.Envelope.Permissives); i++ {
		p := &l.Envelope.Permissives[i]
		s := l.state(p.Watch)
		room := hardly * (s.rest.high - s.rest.low)
		_, always := s.acts.meets(p)
		always = always && s.acts.known || p.Form == rules.Below && (isHeight(p.Watch) || isReach(p.Watch)) && l.Envelope.Tether.Length > 0 && p.Limit >= l.Envelope.Tether.Length
		switch {
		case always:
			l.limit(p.Line, fmt.Sprintf("always holds: nobody would start otherwise, so %q keeps nobody from starting", p.Name), "mend the number, or take it out")
		case s.rest.known && room > 0 && (p.Form == rules.Below && p.Limit >= s.rest.low && p.Limit < s.rest.low+room || p.Form == rules.Above && p.Limit <= s.rest.high && p.Limit > s.rest.high-room):
			l.limit(p.Line, fmt.Sprintf("hardly any start meets it: at rest on the pad %s is %s", p.Watch, s.rest.says(p.Watch, p.Unit)), "leave more room")
		}
		l.eachRule(func(r *rules.Rule) {
			if r.Stop == rules.NoStop {
				return
			}
			if r.Watch == p.Watch && (p.Form == rules.Below && r.Form == rules.Above && p.Limit > r.Limit || p.Form == rules.Above && r.Form == rules.Below && p.Limit < r.Limit) {
				l.limit(p.Line, fmt.Sprintf("allows a start where %q trips at once, past %s", r.Name, rules.FormatExact(r.Limit, r.Unit)), "write a limit for starting inside that of the rule", l.LimitFile.Places(r.Line, limitKeys...))
			} else if p.Form == rules.Above && r.Form == rules.Below && r.Watch != p.Watch && l.aCell(p.Watch, p.Limit) > 0 && l.aCell(p.Watch, p.Limit) < l.aCell(r.Watch, r.Limit) {
				l.limit(p.Line, fmt.Sprintf("allows a start at %.3g V a cell, and %q trips below %.3g V", l.aCell(p.Watch, p.Limit), r.Name, l.aCell(r.Watch, r.Limit)), "write a limit for starting inside that of the rule", l.LimitFile.Places(r.Line, limitKeys...))
			} else if gust := l.gust(p, r.Watch); r.Watch != p.Watch && r.Form == rules.Above && gust >= r.Limit {
				l.limit(p.Line, fmt.Sprintf("allows gusts of %s, and %q trips past %s: it keeps nobody from starting", rules.Format(gust, p.Unit), r.Name, rules.Format(r.Limit, p.Unit)), "write less than the rule's limit", l.LimitFile.Places(r.Line, limitKeys...))
			}
		})
	}
}

// aCell is a limit on a pack's voltage for one cell, V; 0 for other channels.
func (l *looker) aCell(id rules.ChannelID, limit float64) float64 {
	switch id {
	case rules.Pack1LowestCell, rules.PackMeanCell:
		return limit
	case rules.Pack1Voltage, rules.SupplyVoltage, rules.PackResting:
		return limit / max(1, float64(l.cells()))
	}
	return 0
}

// gustiness is what a gust of 3 s is over a mean of two or ten minutes over land at
// least: 1.28 to 1.66 from coast to inland (Harper, Kepert, Ginger 2010, Table 1.1, as
// quoted).
const gustiness = 1.3

// gust is the gust (m/s) that a permissive on the wind lets through, where the watch of a
// rule on gusts sees it; 0 where one of the two tells of none.
func (l *looker) gust(p *rules.Permissive, watch rules.ChannelID) float64 {
	v := p.Limit
	switch p.Watch {
	case rules.Gust, rules.WindSpeed, rules.Peak10, rules.RotorGust, rules.RotorWind:
	case rules.Mean2, rules.Mean10:
		v *= gustiness
	default:
		return 0
	}
	rotor := p.Watch == rules.RotorGust || p.Watch == rules.RotorWind
	switch watch {
	case rules.RotorGust, rules.RotorWind:
		if l.Pad != nil && !rotor {
			cfg := l.Pad.Derived()
			v *= max(1, cfg.HeightFactor())
		}
	case rules.Gust, rules.WindSpeed, rules.Peak10:
		if rotor {
			return 0 // the mast's wind may be less
		}
	default:
		return 0
	}
	if p.Form != rules.Below {
		return 0
	}
	return v
}
