package chart

import (
	"image/color"
	"io"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// The colours keep their distance in grey, too; shapes and dashes tell the same.
var (
	ink   = color.RGBA{R: 0x1f, G: 0x3b, B: 0x57, A: 0xff}
	red   = color.RGBA{R: 0xb0, G: 0x1e, B: 0x1e, A: 0xff}
	amber = color.RGBA{R: 0xb8, G: 0x6e, B: 0x00, A: 0xff}
	faint = color.RGBA{R: 0xdd, G: 0xdd, B: 0xdd, A: 0xff}
	good  = color.RGBA{R: 0xdf, G: 0xee, B: 0xdf, A: 0xff}

	limitStyle   = draw.LineStyle{Color: red, Width: vg.Points(1.4)}
	cautionStyle = draw.LineStyle{Color: amber, Width: vg.Points(1.2), Dashes: []vg.Length{vg.Points(6), vg.Points(3)}}
	tripStyle    = draw.LineStyle{Color: red, Width: vg.Points(0.6), Dashes: []vg.Length{vg.Points(2), vg.Points(2)}}
)

// page is one plot with its legend below it, where it can hide nothing.
type page struct {
	*plot.Plot
	legend  plot.Legend
	entries int
}

func newPage(title, x, y string) *page {
	p := &page{Plot: plot.New(), legend: plot.NewLegend()}
	p.BackgroundColor = color.White
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Title.TextStyle.Font.Size = vg.Points(11)
	p.Title.TextStyle.Font.Variant = font.Variant("Sans")
	p.Title.Padding = vg.Points(6)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font.Variant = "Sans"
		a.Label.TextStyle.Font.Size = vg.Points(10)
		a.Tick.Label.Font.Variant = "Sans"
		a.Tick.Label.Font.Size = vg.Points(9)
		a.Tick.Marker = round{}
	}
	l := &p.legend
	l.TextStyle.Font.Variant = "Sans"
	l.TextStyle.Font.Size = vg.Points(9)
	l.Top, l.Left = true, true
	l.ThumbnailWidth = vg.Points(26)
	l.Padding = vg.Points(2)
	l.YPosition = 0
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = faint, faint
	p.Add(grid)
	return p
}

// explain adds a row to the legend.
func (p *page) explain(words string, thumbs ...plot.Thumbnailer) {
	p.legend.Add(words, thumbs...)
	p.entries++
}

// rowHeight is the height of one row of a legend.
const rowHeight = vg.Length(14)

func (p *page) legendHeight() vg.Length { return rowHeight * vg.Length(p.entries) }

// axis is a label with its unit.
func axis(name, unit string) string {
	if unit == "" {
		return name
	}
	return name + ", " + unit
}

// write draws the pages one below the other, their axes in line, each with its
// legend below it.
func write(w io.Writer, pages []*page, width, height vg.Length) error {
	total := vg.Length(0)
	for _, p := range pages {
		total += height + p.legendHeight() + rowHeight
	}
	c := vgsvg.New(width, total)
	grid, sheets := make([][]*plot.Plot, len(pages)), draw.New(c)
	for i, p := range pages {
		grid[i] = []*plot.Plot{p.Plot}
	}
	// Align works on equal tiles, and only its left and right edges are taken.
	aligned := plot.Align(grid, draw.Tiles{Rows: len(pages), Cols: 1, PadLeft: vg.Points(8), PadRight: vg.Points(14)}, sheets)
	top := total
	for i, p := range pages {
		area := aligned[i][0]
		area.Max.Y = top - vg.Points(6)
		area.Min.Y = top - height
		p.Draw(area)
		row := sheets
		row.Min.X, row.Max.X = vg.Points(50), width-vg.Points(14)
		row.Max.Y = area.Min.Y - vg.Points(6)
		row.Min.Y = row.Max.Y - p.legendHeight()
		p.legend.Draw(row)
		top -= height + p.legendHeight() + rowHeight
	}
	_, err := c.WriteTo(w)
	return err
}

// round ticks at round numbers, eleven steps at most.
type round struct{}

// Ticks implements plot.Ticker.
func (round) Ticks(low, high float64) []plot.Tick { return ticks(low, high, 0) }

// whole is round at whole numbers only: there is no half a trip.
type whole struct{}

// Ticks implements plot.Ticker.
func (whole) Ticks(low, high float64) []plot.Tick { return ticks(low, high, 1) }

func ticks(low, high, least float64) []plot.Tick {
	step := math.Pow(10, math.Floor(math.Log10(max(high-low, 1e-12)/11)))
	for _, f := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*f) <= 11 {
			step *= f
			break
		}
	}
	step = max(step, least)
	digits := int(max(0, math.Ceil(-math.Log10(step)-1e-9)))
	var out []plot.Tick
	for k := math.Ceil(low/step - 1e-9); k*step <= high+step*1e-9; k++ {
		out = append(out, plot.Tick{Value: k * step, Label: strconv.FormatFloat(k*step+0, 'f', digits, 64)})
	}
	return out
}
