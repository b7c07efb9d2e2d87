package report

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/after/report/picture"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
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
	Name, Mass, Verdict, Class string
	Why, Settle, SettleHead    string
	Rows                       []estimateRow
	Unproven                   string
}

type estimateRow struct{ What, Mid, Low, High, Note string }

// words and colours of the verdicts; the colour never stands alone.
var verdicts = map[lift.Verdict][2]string{
	lift.Go: {"GO", ""}, lift.NotYet: {"NOT YET, fly this first", "near"}, lift.No: {"NO", "bad"}, lift.Withheld: {"WITHHELD", "bad"},
}

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
	v := forecastView{None: len(f.Next) == 0, Basis: basis(f, units)}
	if v.None {
		v.Refused, v.Settle = f.Refused, f.Settle
	}
	if f.WhatIf != nil {
		v.WhatIf = f.WhatIf.Text
	}
	for i := range f.Next {
		v.Steps = append(v.Steps, stepOf(&f.Next[i], &f.Needed, units))
	}
	return v
}

func stepOf(s *lift.StepForecast, need *lift.Requirement, units string) stepView {
	say := func(v float64, k rules.Kind) string { return round(v, k, units, rounding.Near) }
	v := stepView{Name: s.Name, Mass: say(s.Mass, rules.Mass), Verdict: verdicts[s.Verdict][0], Class: verdicts[s.Verdict][1], SettleHead: "What it would take"}
	if s.Verdict == lift.NotYet || s.Verdict == lift.Withheld {
		v.SettleHead = "What would settle it"
	}
	v.Why, v.Settle = s.Sentence(units)
	if !s.Numbers {
		return v
	}
	row := func(what string, e lift.Estimate, k rules.Kind, note string) {
		v.Rows = append(v.Rows, estimateRow{what, say(e.Mid, k), round(e.Low, k, units, rounding.Down), round(e.High, k, units, rounding.Up), note})
	}
	row("output in the hover", s.Output, rules.Ratio, "")
	row("hardest working motor", s.Worst, rules.Ratio, round(s.Headroom.Mid, rules.Ratio, units, rounding.Down)+" left")
	row("current", s.Current, rules.Current, "")
	row("pack under it", s.Voltage, rules.Voltage, round(s.Sag.Mid, rules.Voltage, units, rounding.Up)+" of sag")
	row("pack at the hover's end", s.EndVoltage, rules.Voltage, "after "+rules.Format(need.HoverTime, "s"))
	row("most lift, at the end", s.Lift, rules.Force, fmt.Sprintf("at %s, %s", say(s.LiftVoltage.Mid, rules.Voltage), say(s.LiftCurrent.Mid, rules.Current)))
	row("reserve", s.Reserve, rules.Ratio, "required "+say(need.Reserve, rules.Ratio))
	if s.Take != nil && s.Take.LargestMass > 0 {
		b := round(s.Take.LargestBallast, rules.Mass, units, rounding.Down)
		v.Rows = append(v.Rows, estimateRow{What: "largest ballast that keeps the reserve", Mid: b, Note: "at the low end"})
	}
	if !s.Shown {
		v.Unproven = "The supply was not seen to carry full output (" + say(s.LiftCurrent.Mid, rules.Current) +
			"): lift and reserve are bounded by what it was seen to carry, and thrust may fall at full output."
	}
	return v
}

// round is a forecast for people: three significant digits say more than it
// knows already.
func round(v float64, k rules.Kind, units string, way rounding.Way) string {
	return rounding.Show(v, rules.DefaultUnit(k, units), 3, way)
}

func basis(f *lift.Forecast, units string) string {
	count := map[lift.Kind]int{}
	for i := range f.Points {
		count[f.Points[i].Kind]++
	}
	text := fmt.Sprintf("Rests on %s, %s against the tether and %s that stayed on the ground.", words.Count(count[lift.Hover], "hover"),
		words.Count(count[lift.Pull], "pull"), words.Count(count[lift.Attempt], "full-output attempt"))
	if r := f.Fit; r != nil {
		text += fmt.Sprintf(" Thrust against %s; scatter %.1f %% a hover, %s of freedom. Heaviest load held: %s, at %.0f %% output.",
			r.Against, 100*r.Scatter, words.Count(r.Freedom, "degree"), round(r.Heaviest, rules.Force, units, rounding.Near), 100*r.TopOutput)
		if r.Assumes != "" {
			text += " " + strings.ToUpper(r.Assumes[:1]) + r.Assumes[1:] + "."
		}
	}
	for i := range f.Changes {
		text += " Measured: " + f.Changes[i].Says() + "."
	}
	if f.Stand != nil {
		text += " Thrust stand: " + f.Stand.Says() + "."
	}
	if f.Air != nil {
		air := f.Air.Says(units)
		text += " " + strings.ToUpper(air[:1]) + air[1:] + "."
	}
	return text
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
