package told

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

func causes(s *answers.Seen, env *rules.Envelope) []CauseStatus {
	out := []CauseStatus{}
	for i := range s.Trips {
		f := &s.Trips[i]
		c := CauseStatus{Trip: f.Trip, At: f.At.Seconds(), AfterS: (f.At - s.Trips[0].At).Seconds(), First: i == 0,
			Text: interlock.FirstCause(env, *f), Stop: f.Stop.String(), Part: f.Kind == interlock.ConsequenceEffect}
		stands, over := false, "heard again now"
		switch {
		case f.Reason == interlock.ReasonLink, f.Reason == interlock.ReasonThenSilent:
			stands = slices.ContainsFunc(s.View.Unmet, func(u interlock.Unmet) bool { return u.Need == interlock.NeedLink })
		case f.Rule >= 0 && f.Rule < len(s.View.Rules):
			if stands = s.View.Rules[f.Rule].Demand; f.Reason != interlock.ReasonRuleMissing {
				over = "inside again now"
			}
		default:
			out = append(out, c)
			continue
		}
		if c.Stands, c.Now = &stands, over; stands {
			c.Now = "still so"
		} else if s.View.Duty == interlock.Guard {
			c.Now += "; reset clears it"
		}
		out = append(out, c)
	}
	return out
}

func (set *Setup) permissives(v *interlock.View) []PermissiveStatus {
	env := set.Envelope
	out := []PermissiveStatus{}
	for i := range v.Permissives {
		p, now := &env.Permissives[i], v.Permissives[i]
		row := PermissiveStatus{Name: p.Name, Channel: p.Watch.String(), Condition: set.condition(p), Limit: p.Limit,
			Unit: rules.SIUnit(p.Watch.Channel().Kind), Now: "missing", Holds: v.Holds[i]}
		if now.Quality != rules.Missing {
			row.Value, row.Now = some(now.Value), set.text(p.Watch, now.Value, p.Unit, p.Limit)
		}
		out = append(out, row)
	}
	return out
}

// channels are the last readings, in the user's units. What was never heard is
// left out.
func (set *Setup) channels(s *answers.Seen) []ChannelStatus {
	env := set.Envelope
	out := []ChannelStatus{}
	for i, id := range answers.Shown {
		r := s.Readings[i]
		if r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		about := id.Channel()
		unit := unitFor(env, id)
		c := ChannelStatus{Channel: id.String(), Says: about.Says, Unit: rules.SIUnit(about.Kind), Shown: unit,
			Cause: r.Cause.String(), AgeS: some((s.View.At - r.At).Seconds()), Text: "missing"}
		// What is older than the channel may be is no value any more.
		if r.Quality != rules.Missing && s.View.At-r.At > max(id.Stale(), time.Second) {
			c.Cause = rules.Stale.String()
			r = limits.Reading{At: r.At, Cause: rules.Stale}
		}
		if r.Quality != rules.Missing {
			c.Value, c.Text = some(r.Value), set.text(id, r.Value, unit)
			if v, ok := rules.Convert(r.Value, unit); ok {
				c.AsShown = some(v)
			}
		}
		out = append(out, c)
	}
	return out
}

// text is a value for people, told from the limits beside it: states as words, a flight mode
// by its name on the card.
func (set *Setup) text(id rules.ChannelID, v float64, unit string, limits ...float64) string {
	text := rules.Reading(v, unit, limits...)
	switch {
	case id == rules.CraftLanded:
		return map[bool]string{true: "on the ground", false: "in the air"}[v == 1]
	case id == rules.CraftArmed:
		return map[bool]string{true: "armed", false: "disarmed"}[v == 1]
	case id == rules.CraftMode && set.Card != nil:
		for _, m := range set.Card.Modes {
			if float64(m.Number) == v {
				return m.Name + " (" + text + ")"
			}
		}
	}
	return text
}

// unitFor is the unit in which people read a channel: that of the first rule or
// condition on it, else that of the envelope's system.
func unitFor(env *rules.Envelope, id rules.ChannelID) string {
	for i := range env.Rules {
		if r := &env.Rules[i]; r.Watch == id && r.Form != rules.RisingFaster && r.Form != rules.FallingFaster {
			return r.Unit
		}
	}
	for i := range env.Permissives {
		if env.Permissives[i].Watch == id {
			return env.Permissives[i].Unit
		}
	}
	kind := id.Channel().Kind
	if kind == rules.Speed { // every wind in one unit, every climb in one
		for i := range env.Rules {
			if r := &env.Rules[i]; r.Watch.Channel().Kind == kind && r.Watch.OfWind() == id.OfWind() && r.Form < rules.RisingFaster {
				return r.Unit
			}
		}
	}
	return rules.DefaultUnit(kind, env.Units)
}

// acts are the last acts at the buttons and over the local socket, oldest first.
func acts(s *answers.Seen) []answers.ActStatus {
	out := []answers.ActStatus{}
	for i := range s.Acts {
		f := &s.Acts[i]
		line := f.Line
		what := f.Reason.String()
		switch f.Reason {
		case interlock.ReasonStart:
			line = interlock.Start
		case interlock.ReasonEnd:
			line = interlock.End
		case interlock.ReasonHold:
			line = interlock.Hold
		case interlock.ReasonGate:
			line = interlock.Gate
		case interlock.ReasonEStop:
			line = interlock.EStopA
		case interlock.ReasonReset:
			what = "reset taken"
		case interlock.ReasonSilenced:
		default:
			what = line.String() + " not taken: " + what
		}
		out = append(out, answers.ActStatus{At: f.At.Seconds(), What: what, By: "input line " + line.String()})
	}
	out = append(out, s.Said...)
	slices.SortStableFunc(out, func(a, b answers.ActStatus) int { return cmp.Compare(a.At, b.At) })
	return out[max(0, len(out)-answers.MostActs):]
}

// A hover is looked at while the craft moves up or down by less than steadyClimb, m/s, and
// counts as otherwise than foreseen by more than beyondForecast of it. Ours: what cannot be
// told from a hover at a glance, and two packs of one day.
const steadyClimb, beyondForecast = 0.2, 0.03

// hover returns what to do where the craft hovers otherwise than the last report foresaw for
// the step; empty where it does not hover, or as foreseen.
func (set *Setup) hover(s *answers.Seen) string {
	f := s.Declared.Foreseen
	if f == nil || f.HoverLow <= 0 || !s.View.Airborne || set.Card == nil {
		return ""
	}
	var now [4]float64
	for i, id := range []rules.ChannelID{rules.MotorHighest, rules.Pack1Voltage, rules.Climb, rules.Height} {
		r := s.Readings[slices.Index(answers.Shown[:], id)]
		if r.Quality != rules.Good || s.View.At-r.At > max(id.Stale(), time.Second) {
			return ""
		}
		now[i] = r.Value
	}
	output, volts, climb, height := now[0], now[1], now[2], now[3]
	low, high := f.HoverLow/volts, f.HoverHigh/volts
	if math.Abs(climb) > steadyClimb || height < 2*set.Card.Craft.Radius || volts <= 0 || output >= low*(1-beyondForecast) && output <= high*(1+beyondForecast) {
		return ""
	}
	return fmt.Sprintf("Caution, the hover: the hardest working motor is at %s, and the report foresaw %s to %s at this voltage. Land. No next step before a report says why: weigh craft and ballast, look at propellers, motors, packs and the tether's pull.",
		rules.Reading(output, "%", low, high), rules.Reading(low, "%"), rules.Reading(high, "%"))
}
