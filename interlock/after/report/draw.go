package report

import (
	"fmt"
	"html/template"
	"sort"
	"time"

	"downhaul/rules"
)

// levelsOf are the limit and caution of a rule; a rule on a rate has none that
// belong on its channel's curve.
func levelsOf(r *rules.Rule) []level {
	if isRate(r) || r.Form == rules.Is || r.Form == rules.IsNot {
		return nil
	}
	show := func(what string, v float64) string { return what + " " + rules.FormatExact(v, r.Unit) }
	out := []level{{v: r.Limit, words: show("limit", r.Limit)}}
	if r.Form == rules.Outside {
		out = append(out, level{v: r.LimitHigh, words: show("limit", r.LimitHigh)})
	}
	if r.HasCaution {
		out = append(out, level{v: r.Caution, words: show("caution", r.Caution), caution: true})
		if r.Form == rules.Outside {
			out = append(out, level{v: r.CautionHigh, words: show("caution", r.CautionHigh), caution: true})
		}
	}
	return out
}

// unitOf is what people read a rule's channel in.
func unitOf(r *rules.Rule, units string) string {
	if isRate(r) {
		return rules.DefaultUnit(r.Watch.Channel().Kind, units)
	}
	return r.Unit
}

// silenceOf is how long a channel may say nothing before its curve is broken.
func silenceOf(id rules.ChannelID) time.Duration {
	c := id.Channel()
	return max(3*c.Period, c.Stale)
}

// overviewChart is a rule's channel over the whole session.
func (s *Session) overviewChart(r *rules.Rule, curve *series) template.HTML {
	c := chart{from: 0, to: s.Lasted.Value, unit: unitOf(r, s.units), scale: inUnit(unitOf(r, s.units)),
		traces: []trace{{curves: curve.curves(silenceOf(r.Watch))}}, levels: levelsOf(r),
		says: fmt.Sprintf("%s over the whole session against %q", r.Watch, r.Name)}
	for i := range s.Episodes {
		for _, t := range s.Episodes[i].Trips {
			if t.Rule == r.Name && len(c.marks) < 40 {
				c.marks = append(c.marks, mark{at: time.Duration(t.At.Value * 1e9), words: fmt.Sprintf("trip %d", t.Number), main: true})
			}
		}
	}
	return c.svg()
}

// windowChart is a rule's channel around a first cause.
func (s *Session) windowChart(r *rules.Rule, ep *Episode, p panel) template.HTML {
	c := chart{from: ep.from.Seconds(), to: ep.to.Seconds(), unit: unitOf(r, s.units), scale: inUnit(unitOf(r, s.units)),
		traces: []trace{{curves: p.curve.curves(silenceOf(r.Watch))}}, levels: levelsOf(r), marks: s.marksOf(ep, r.Name),
		says: fmt.Sprintf("%s around %s", r.Watch, ep.Trips[0].Name())}
	return c.svg()
}

// marksOf are the instants of an episode: the rule's own caution, every trip,
// the relay and the readback.
func (s *Session) marksOf(ep *Episode, rule string) []mark {
	var out []mark
	add := func(q *Quantity, words string, main bool) {
		if q != nil && len(out) < 12 {
			out = append(out, mark{time.Duration(q.Value * 1e9), words, main})
		}
	}
	for i := range s.Cautions {
		if c := &s.Cautions[i]; c.Rule == rule && c.at >= ep.from && c.at <= ep.to {
			add(c.At, "caution", false)
		}
	}
	for i := range ep.Trips {
		if t := &ep.Trips[i]; i < 4 {
			add(t.At, t.Name(), true)
		}
	}
	first := &ep.Trips[0].Times
	add(first.Relay, "relay", false)
	add(first.Readback, "read back", false)
	sort.SliceStable(out, func(i, j int) bool { return out[i].at < out[j].at })
	return out
}

func (s *Session) windChart() template.HTML {
	unit := rules.DefaultUnit(rules.Speed, s.units)
	if s.charts.wind == nil {
		return ""
	}
	c := chart{from: 0, to: s.Lasted.Value, unit: unit, scale: inUnit(unit), says: "wind speed, and its mean over 3 s",
		traces: []trace{{curves: s.charts.wind.curves(silenceOf(rules.WindSpeed)), faint: true}, {curves: s.charts.gust.curves(silenceOf(rules.Gust))}}}
	return c.svg()
}

func (s *Session) packChart(i int) template.HTML {
	b := s.charts.packs[i]
	c := chart{from: 0, to: s.Lasted.Value, unit: "V", scale: inUnit("V"), says: "voltage of " + b.name,
		traces: []trace{{curves: b.volts.curves(silenceOf(b.ids.voltage))}}}
	return c.svg()
}
