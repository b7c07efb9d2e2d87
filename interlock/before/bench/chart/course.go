package chart

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/rules"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Course draws one watched quantity of a recording: its values, limits and
// cautions of the rules on it, where they tripped and where they cautioned.
func Course(w io.Writer, env *rules.Envelope, r *bench.Result, c *bench.Course) error {
	unit := env.Rules[c.Rules[0]].Unit
	show := func(si float64) float64 {
		if v, ok := rules.Convert(si, unit); ok {
			return v
		}
		return si
	}
	p := newPage(c.Channel.String()+rateWord(c)+", "+filepath.Base(r.File), "time, s", axis(c.Channel.String()+rateWord(c), unit))
	end := r.End.Seconds()
	gap := 2 * time.Second
	for _, i := range c.Rules {
		gap = max(gap, env.Rules[i].StaleAfter)
	}
	low, high := math.Inf(1), math.Inf(-1)
	named := false
	for _, points := range c.Lines(gap) {
		xys := make(plotter.XYs, len(points))
		for i, pt := range points {
			xys[i] = plotter.XY{X: pt.At.Seconds(), Y: show(pt.Value)}
			low, high = min(low, xys[i].Y), max(high, xys[i].Y)
		}
		line, err := plotter.NewLine(xys)
		if err != nil {
			return err
		}
		line.Color, line.Width = ink, vg.Points(0.8)
		p.Add(line)
		if !named {
			p.explain("value", line)
			named = true
		}
	}
	if !named {
		p.Title.Text += " (never had a value)"
	}
	for _, i := range c.Rules {
		if err := limits(p, &env.Rules[i], end, show, &low, &high); err != nil {
			return err
		}
	}
	if math.IsInf(low, 0) {
		low, high = 0, 1
	}
	room := (high - low) * 0.06
	if room == 0 {
		room = max(math.Abs(high)*0.1, 0.5)
	}
	p.X.Min, p.X.Max = 0, max(end, 0.001)
	p.Y.Min, p.Y.Max = low-room, high+room
	if err := marks(p, r, env, c, show); err != nil {
		return err
	}
	return write(w, []*page{p}, 24*vg.Centimeter, 10*vg.Centimeter)
}

func rateWord(c *bench.Course) string {
	if c.Rate {
		return " rate"
	}
	return ""
}

// limits draws the limits and cautions of one rule, each with its own dashes
// and its words in the legend.
func limits(p *page, r *rules.Rule, end float64, show func(float64) float64, low, high *float64) error {
	level := func(si float64, style draw.LineStyle, words string) error {
		y := show(si)
		*low, *high = min(*low, y), max(*high, y)
		line, err := plotter.NewLine(plotter.XYs{{X: 0, Y: y}, {X: max(end, 0.001), Y: y}})
		if err != nil {
			return err
		}
		line.LineStyle = style
		p.Add(line)
		if words != "" {
			p.explain(words, line)
		}
		return nil
	}
	text := func(si float64) string {
		if r.Watch.Channel().Kind == rules.Flag {
			return fmt.Sprint(si != 0)
		}
		if r.Unit == "" {
			return fmt.Sprint(si)
		}
		return rules.FormatExact(si, r.Unit)
	}
	word := map[rules.Form]string{rules.Above: "not above", rules.Below: "not below", rules.Is: "may not be", rules.IsNot: "may only be",
		rules.RisingFaster: "not rising faster than", rules.FallingFaster: "not falling faster than"}[r.Form]
	sign := 1.0
	if r.Form == rules.FallingFaster {
		sign = -1
	}
	if r.Form == rules.Outside {
		if err := level(r.Limit, limitStyle, fmt.Sprintf("limits, %s: %s to %s", r.Name, text(r.Limit), text(r.LimitHigh))); err != nil {
			return err
		}
		if err := level(r.LimitHigh, limitStyle, ""); err != nil {
			return err
		}
		if !r.HasCaution {
			return nil
		}
		if err := level(r.Caution, cautionStyle, fmt.Sprintf("cautions: %s to %s", text(r.Caution), text(r.CautionHigh))); err != nil {
			return err
		}
		return level(r.CautionHigh, cautionStyle, "")
	}
	if err := level(sign*r.Limit, limitStyle, fmt.Sprintf("limit, %s: %s %s", r.Name, word, text(r.Limit))); err != nil {
		return err
	}
	if !r.HasCaution {
		return nil
	}
	return level(sign*r.Caution, cautionStyle, fmt.Sprintf("caution: %s", text(r.Caution)))
}

// marks draws where the rules tripped and cautioned: a filled triangle and an
// upright line for a trip, an open ring for a caution, a cross at the foot for
// a trip because the channel was missing.
func marks(p *page, r *bench.Result, env *rules.Envelope, c *bench.Course, show func(float64) float64) error {
	mine := func(e *bench.Event) bool {
		f := e.Effect()
		for _, i := range c.Rules {
			if f.Rule == i {
				return true
			}
		}
		return false
	}
	var trips, cautions, silent plotter.XYs
	stops := r.Stops()
	for i := range stops {
		if e := &stops[i]; mine(e) {
			if e.Value == nil {
				silent = append(silent, plotter.XY{X: e.AtS, Y: p.Y.Min})
				continue
			}
			trips = append(trips, plotter.XY{X: e.AtS, Y: show(*e.Value)})
		}
	}
	for i := range r.Cautions {
		if e := &r.Cautions[i]; mine(e) && e.Value != nil {
			cautions = append(cautions, plotter.XY{X: e.AtS, Y: show(*e.Value)})
		}
	}
	for _, xy := range trips {
		line, err := plotter.NewLine(plotter.XYs{{X: xy.X, Y: p.Y.Min}, {X: xy.X, Y: p.Y.Max}})
		if err != nil {
			return err
		}
		line.LineStyle = tripStyle
		p.Add(line)
	}
	for _, m := range []struct {
		at    plotter.XYs
		glyph draw.GlyphStyle
		words string
	}{
		{cautions, draw.GlyphStyle{Color: amber, Radius: vg.Points(3.5), Shape: draw.RingGlyph{}}, "caution came on"},
		{trips, draw.GlyphStyle{Color: red, Radius: vg.Points(4), Shape: draw.PyramidGlyph{}}, "trip"},
		{silent, draw.GlyphStyle{Color: red, Radius: vg.Points(4), Shape: draw.CrossGlyph{}}, "trip because it was missing"},
	} {
		if len(m.at) == 0 {
			continue
		}
		s, err := plotter.NewScatter(m.at)
		if err != nil {
			return err
		}
		s.GlyphStyle = m.glyph
		p.Add(s)
		p.explain(fmt.Sprintf("%s (%d)", m.words, len(m.at)), s)
	}
	return nil
}
