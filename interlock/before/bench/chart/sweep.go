package chart

import (
	"io"
	"strings"

	"downhaul/interlock/before/bench"
	"downhaul/rules"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sweep draws a sweep: above, trips, false and missed ones over the values, with
// the widest range without a wrong shaded; below, where something was caught,
// the detection times. unit is the unit of the values' texts.
func Sweep(w io.Writer, j *bench.Judged, unit, title string) error {
	at := func(i int) float64 {
		if v, ok := rules.Convert(j.Steps[i].Value, unit); ok {
			return v
		}
		return j.Steps[i].Value
	}
	counts := newPage(title, axis("value", unit), "how many")
	counts.Y.Tick.Marker = whole{}
	rows := []row{{"trips", func(s *bench.Step) (float64, bool) { return float64(s.Trips), true }, draw.LineStyle{Color: ink, Width: vg.Points(1.2)}, draw.CircleGlyph{}}}
	if j.Reals != nil {
		rows = append(rows,
			row{"false trips", func(s *bench.Step) (float64, bool) { return float64(*s.False), true }, draw.LineStyle{Color: amber, Width: vg.Points(1.2), Dashes: cautionStyle.Dashes}, draw.RingGlyph{}},
			row{"real ones missed", func(s *bench.Step) (float64, bool) { return float64(*s.Missed), true }, draw.LineStyle{Color: red, Width: vg.Points(1.2), Dashes: tripStyle.Dashes}, draw.CrossGlyph{}})
	}
	if err := shade(counts, j, at); err != nil {
		return err
	}
	if err := add(counts, j, at, rows); err != nil {
		return err
	}
	top := 1.0
	for i := range j.Steps {
		top = max(top, float64(j.Steps[i].Trips))
	}
	counts.Y.Min, counts.Y.Max = 0, top*1.08
	plots := []*page{counts}
	times := newPage("", axis("value", unit), "s after the real time")
	err := add(times, j, at, []row{
		{"slowest", func(s *bench.Step) (float64, bool) { return of(s.SlowestS) }, draw.LineStyle{Color: ink, Width: vg.Points(1.2)}, draw.CircleGlyph{}},
		{"mean", func(s *bench.Step) (float64, bool) { return of(s.MeanS) }, draw.LineStyle{Color: ink, Width: vg.Points(1), Dashes: cautionStyle.Dashes}, draw.RingGlyph{}},
	})
	if err != nil {
		return err
	}
	for i := range j.Steps {
		if j.Steps[i].SlowestS != nil {
			plots = append(plots, times)
			break
		}
	}
	last := len(j.Steps) - 1
	for _, p := range plots {
		p.X.Min, p.X.Max = min(at(0), at(last)), max(at(0), at(last))
	}
	return write(w, plots, 24*vg.Centimeter, 8*vg.Centimeter)
}

func of(v *float64) (float64, bool) {
	if v == nil {
		return 0, false
	}
	return *v, true
}

// row is one line of a sweep's picture.
type row struct {
	name  string
	value func(s *bench.Step) (float64, bool)
	style draw.LineStyle
	glyph draw.GlyphDrawer
}

func add(p *page, j *bench.Judged, at func(int) float64, rows []row) error {
	for _, r := range rows {
		var xys plotter.XYs
		for i := range j.Steps {
			if v, ok := r.value(&j.Steps[i]); ok {
				xys = append(xys, plotter.XY{X: at(i), Y: v})
			}
		}
		if len(xys) == 0 {
			continue
		}
		line, points, err := plotter.NewLinePoints(xys)
		if err != nil {
			return err
		}
		line.LineStyle = r.style
		points.GlyphStyle = draw.GlyphStyle{Color: r.style.Color, Radius: vg.Points(2.5), Shape: r.glyph}
		p.Add(line, points)
		p.explain(r.name, line, points)
	}
	return nil
}

// shade marks the widest range in which nothing is wrong.
func shade(p *page, j *bench.Judged, at func(int) float64) error {
	if j.First < 0 {
		return nil
	}
	a, b := at(j.First), at(j.Last)
	if a == b { // one value alone: half a step to each side
		half := (at(1) - at(0)) / 2
		a, b = a-half, b+half
	}
	top := 1.0
	for i := range j.Steps {
		top = max(top, float64(j.Steps[i].Trips))
	}
	area, err := plotter.NewPolygon(plotter.XYs{{X: a, Y: 0}, {X: b, Y: 0}, {X: b, Y: top * 2}, {X: a, Y: top * 2}})
	if err != nil {
		return err
	}
	area.Color = good
	area.LineStyle.Width = 0
	p.Add(area)
	p.explain(strings.TrimSpace("no false, none missed: "+j.Steps[j.First].Text+" to "+j.Steps[j.Last].Text), area)
	return nil
}
