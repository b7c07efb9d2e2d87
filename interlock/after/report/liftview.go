package report

import (
	"html/template"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/after/report/picture"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// liftView is the lift section of the page.
type liftView struct {
	Says      string
	Forecasts []forecastView
	SVG       template.HTML
	SVGUnit   string
	MassUnit  string
	NotSeen   []string
	LeftOut   []string
	Doubts    []string
	Criteria  []string
	Held      bool // Says comes before every verdict
}

type forecastView struct {
	WhatIf, Refused, Settle, Basis string
	None                           bool
	Steps                          []stepView
}

type stepView struct {
	*lift.StepForecast
	MassSays, Class, Why, Settle, Unproven string
	Rows                                   []lift.Row
}

// classOf is the colour of a verdict; it never stands alone.
var classOf = map[lift.Verdict]string{lift.NotYet: "near", lift.No: "bad", lift.Withheld: "bad"}

func (l *Lift) view() liftView {
	v := liftView{Says: l.Says, Held: l.held, Doubts: l.Doubts, SVGUnit: "%", MassUnit: rules.DefaultUnit(rules.Mass, l.units)}
	for _, f := range []*lift.Forecast{l.Forecast, l.WhatIf} {
		if f != nil {
			v.Forecasts = append(v.Forecasts, forecastOf(f, l.units))
		}
	}
	if l.Forecast != nil {
		v.NotSeen, v.LeftOut = l.Forecast.Cannot, l.Forecast.Unused
		v.SVG, v.Criteria = l.chart(), l.Forecast.Rules
	}
	return v
}

func forecastOf(f *lift.Forecast, units string) forecastView {
	v := forecastView{None: len(f.Next) == 0}
	for i, text := range f.Basis(units) {
		if i == 0 {
			text = "rests on " + text
		}
		v.Basis += sentence(text) + " "
	}
	if v.None {
		v.Refused, v.Settle = f.Refused, f.Settle
	}
	if f.WhatIf != nil {
		v.WhatIf = f.WhatIf.Text
	}
	for i := range f.Next {
		s := &f.Next[i]
		step := stepView{StepForecast: s, MassSays: round(s.Mass, rules.Mass, units, rounding.Near), Class: classOf[s.Verdict], Unproven: s.Unproven(units), Rows: s.Rows(units, &f.Needed)}
		step.Why, step.Settle = s.Sentence(units)
		v.Steps = append(v.Steps, step)
	}
	return v
}

// round is a forecast for people: three significant digits say more than it
// knows already.
func round(v float64, k rules.Kind, units string, way rounding.Way) string {
	return rounding.Show(v, rules.DefaultUnit(k, units), 3, way)
}

// chart draws the hovers that were flown and those that are forecast.
func (l *Lift) chart() template.HTML {
	unit := rules.DefaultUnit(rules.Mass, l.units)
	across := func(kg float64) time.Duration { return time.Duration(picture.InUnit(unit)(kg) * 1e9) }
	var flown []picture.Point
	c := picture.Chart{Unit: "%", Scale: func(v float64) float64 { return 100 * v }, Says: "output in the hover against mass", Levels: []picture.Level{{V: 1, Words: "full output"}}}
	seen := false
	reach := func(at time.Duration) {
		x := at.Seconds()
		if !seen {
			c.From, c.To, seen = x, x, true
		}
		c.From, c.To = min(c.From, x), max(c.To, x)
	}
	for _, p := range l.Forecast.Points {
		if p.Kind == lift.Hover {
			flown = append(flown, picture.Point{At: across(p.Mass), V: p.Output})
			reach(across(p.Mass))
		}
	}
	if len(flown) == 0 {
		return ""
	}
	c.Traces = append(c.Traces, picture.Trace{Curves: [][]picture.Point{flown}, Dots: true})
	for i := range l.Forecast.Next {
		s := &l.Forecast.Next[i]
		if !s.Numbers || s.Output.High > 2 {
			continue
		}
		at := across(s.Mass)
		reach(at)
		c.Traces = append(c.Traces, picture.Trace{Curves: [][]picture.Point{{{At: at, V: s.Output.Low}, {At: at, V: s.Output.High}}}, Interval: true})
		c.Marks = append(c.Marks, picture.Mark{At: at, Words: s.Name})
	}
	room := max(0.15*(c.To-c.From), 0.02*c.To)
	c.From, c.To = c.From-room, c.To+room
	return c.SVG()
}

// charts are the trends over several sessions; those with nothing to draw are
// left out.
func (a *Across) charts() []drawing {
	var out []drawing
	add := func(name, unit string, levels []picture.Level, value func(r *AcrossRow) []*Quantity) {
		c := picture.Chart{From: 0.5, To: float64(len(a.Rows)) + 0.5, Unit: unit, Scale: picture.InUnit(unit), Says: name, Levels: levels, Whole: true}
		var dots []picture.Point
		for i := range a.Rows {
			for _, q := range value(&a.Rows[i]) {
				if q != nil {
					dots = append(dots, picture.Point{At: time.Duration(i+1) * time.Second, V: q.Value})
				}
			}
		}
		if len(dots) == 0 {
			return
		}
		c.Traces = []picture.Trace{{Curves: [][]picture.Point{dots}, Dots: true}}
		out = append(out, drawing{name + ", by session in the order above", c.SVG()})
	}
	add("pack resistance", "mohm", nil, func(r *AcrossRow) []*Quantity { return r.Resistance })
	add("longest time from relay to readback", "ms", nil, func(r *AcrossRow) []*Quantity { return []*Quantity{r.Drop} })
	add("near misses", "", nil, func(r *AcrossRow) []*Quantity { return []*Quantity{{Value: float64(r.Near)}} })
	add("hover output", "%", nil, func(r *AcrossRow) (qs []*Quantity) {
		for _, h := range r.Hovers {
			qs = append(qs, h.Output)
		}
		return qs
	})
	return out
}
