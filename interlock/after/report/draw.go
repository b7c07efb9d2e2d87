package report

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/rules"
)

// levelsOf are the limit and caution of a rule; a rule on a rate has none that
// belong on its channel's curve.
func levelsOf(r *rules.Rule) []picture.Level {
	if isRate(r) || r.Form == rules.Is || r.Form == rules.IsNot {
		return nil
	}
	show := func(what string, v float64) string { return what + " " + rules.FormatExact(v, r.Unit) }
	out := []picture.Level{{V: r.Limit, Words: show("limit", r.Limit)}}
	if r.Form == rules.Outside {
		out = append(out, picture.Level{V: r.LimitHigh, Words: show("limit", r.LimitHigh)})
	}
	if r.HasCaution {
		out = append(out, picture.Level{V: r.Caution, Words: show("caution", r.Caution), Caution: true})
		if r.Form == rules.Outside {
			out = append(out, picture.Level{V: r.CautionHigh, Words: show("caution", r.CautionHigh), Caution: true})
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
	c := picture.Chart{From: 0, To: s.Lasted.Value, Unit: unitOf(r, s.units), Scale: picture.InUnit(unitOf(r, s.units)),
		Traces: []picture.Trace{{Curves: curve.Curves(silenceOf(r.Watch))}}, Levels: levelsOf(r),
		Says: fmt.Sprintf("%s over the whole session against %q", r.Watch, r.Name)}
	for i := range s.Episodes {
		for _, t := range s.Episodes[i].Trips {
			if t.Rule == r.Name && len(c.Marks) < 40 {
				c.Marks = append(c.Marks, picture.Mark{At: time.Duration(t.At.Value * 1e9), Words: fmt.Sprintf("trip %d", t.Number), Main: true})
			}
		}
	}
	return c.SVG()
}

// windowChart is a rule's channel around a first cause.
func (s *Session) windowChart(r *rules.Rule, ep *Episode, p panel) template.HTML {
	c := picture.Chart{From: ep.from.Seconds(), To: ep.to.Seconds(), Unit: unitOf(r, s.units), Scale: picture.InUnit(unitOf(r, s.units)),
		Traces: []picture.Trace{{Curves: p.curve.Curves(silenceOf(r.Watch))}}, Levels: levelsOf(r), Marks: s.marksOf(ep, r.Name),
		Says: fmt.Sprintf("%s around %s", r.Watch, ep.Trips[0].Name())}
	return c.SVG()
}

// marksOf are the instants of an episode: the rule's own caution, every trip,
// the relay and the readback.
func (s *Session) marksOf(ep *Episode, rule string) []picture.Mark {
	var out []picture.Mark
	add := func(q *Quantity, words string, main bool) {
		if q != nil && len(out) < 12 {
			out = append(out, picture.Mark{At: time.Duration(q.Value * 1e9), Words: words, Main: main})
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
	slices.SortStableFunc(out, func(a, b picture.Mark) int { return cmp.Compare(a.At, b.At) })
	return out
}

func (s *Session) windChart() template.HTML {
	unit := rules.DefaultUnit(rules.Speed, s.units)
	if s.charts.wind == nil {
		return ""
	}
	c := picture.Chart{From: 0, To: s.Lasted.Value, Unit: unit, Scale: picture.InUnit(unit), Says: "wind speed, and its mean over 3 s", Narrow: true,
		Traces: []picture.Trace{{Curves: s.charts.wind.Curves(silenceOf(rules.WindSpeed)), Faint: true}, {Curves: s.charts.gust.Curves(silenceOf(rules.Gust))}}}
	return c.SVG()
}

// packChart has the voltages of all packs, each with a stroke of its own.
func (s *Session) packChart() drawing {
	strokes := [...]string{"black", "grey", "black, dashed", "grey, dashed"}
	c := picture.Chart{From: 0, To: s.Lasted.Value, Unit: "V", Scale: picture.InUnit("V"), Says: "voltage of the packs", Narrow: true}
	var names []string
	for i, b := range s.charts.packs {
		c.Traces = append(c.Traces, picture.Trace{Curves: b.volts.Curves(silenceOf(b.ids.voltage)), Faint: i%2 == 1, Dashed: i >= 2})
		names = append(names, fmt.Sprintf("%s (%s)", b.name, strokes[i%len(strokes)]))
	}
	return drawing{"voltage of " + list(names), c.SVG()}
}
