package picture

import (
	"bytes"
	"fmt"
	"html/template"
	"image/color"
	"io"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"downhaul/rules"
)

// A Chart is 420 points wide, so that its letters stay legible on a phone's
// 350 pixels and two stand side by side on paper.
const (
	chartWidth  = 420
	narrowWidth = 340
	chartHeight = 150
	letters     = 11
)

var (
	ink     = color.RGBA{0x11, 0x11, 0x11, 0xff}
	second  = color.RGBA{0x55, 0x55, 0x55, 0xff}
	faint   = color.RGBA{0xcc, 0xcc, 0xcc, 0xff}
	red     = color.RGBA{0xb0, 0x00, 0x20, 0xff}
	amber   = color.RGBA{0x74, 0x4b, 0x00, 0xff}
	dashes  = []vg.Length{5, 3}
	stipple = []vg.Length{1.5, 2.5}
)

// Level is a line across a chart with its words: a limit or a caution.
type Level struct {
	V       float64
	Words   string
	Caution bool
}

// Mark is an instant with its words, if any.
type Mark struct {
	At    time.Duration
	Words string
	Main  bool // the decision itself
}

// Point is one place of a curve.
type Point struct {
	At time.Duration
	V  float64
}

// Trace is one line of a chart.
type Trace struct {
	Curves [][]Point
	Faint  bool
	Dashed bool
	Dots   bool
	// Interval draws each curve, which has two points over one place, as a bar a finger wide.
	Interval bool
}

// Chart is one drawing: values over time, or over anything else.
type Chart struct {
	From, To float64
	Unit     string // of the value, as people read it
	Traces   []Trace
	Levels   []Level
	Marks    []Mark
	Scale    func(si float64) float64
	Says     string // for those who cannot see it
	Height   vg.Length
	// Narrow is for charts of which two stand beside one another on paper, where they are 90 mm
	// wide or more: their letters are 8 points there at the least.
	Narrow bool
	Whole  bool // only whole numbers across
	Counts bool // whole numbers from 0 up
}

// InUnit returns what turns SI values into what people read: a straight line, near enough
// for a drawing.
func InUnit(unit string) func(float64) float64 {
	zero, ok := rules.Convert(0, unit)
	one, _ := rules.Convert(1, unit)
	if !ok {
		zero, one = 0, 1
	}
	return func(si float64) float64 { return zero + si*(one-zero) }
}

// SVG draws it. Nothing to draw gives an empty text.
func (c *Chart) SVG() template.HTML {
	low, high, ok := c.span()
	if !ok || c.To <= c.From {
		return ""
	}
	p := plot.New()
	p.BackgroundColor = color.Transparent
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = c.From, c.To, low, high
	style(&p.X, text.XCenter, text.YTop)
	style(&p.Y, text.XRight, text.YCenter)
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks(6), ticks(4)
	if c.Whole {
		p.X.Tick.Marker = wholeTicks(12)
	}
	if c.Counts {
		p.Y.Min, p.Y.Max, p.Y.Tick.Marker = 0, 1.15*max(1, high), wholeTicks(4)
	}
	p.Add(c)
	width := vg.Length(chartWidth)
	if c.Narrow {
		width = narrowWidth
	}
	canvas := vgsvg.New(width, c.height())
	dc := draw.New(canvas)
	// Room for the words of the marks above, and for the last number's half.
	p.Draw(draw.Crop(dc, 2, -10, 2, -c.headroom()))
	c.words(dc, c.height())
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return ""
	}
	return inline(b.String(), c.Says)
}

func (c *Chart) height() vg.Length {
	if c.Height == 0 {
		return chartHeight
	}
	return c.Height
}

// File writes charts one below the other as a picture that stands alone. One that has
// nothing to draw is left out.
func File(w io.Writer, title string, charts ...*Chart) error {
	var body strings.Builder
	y := vg.Length(2 * letters)
	for _, c := range charts {
		svg := string(c.SVG())
		if svg == "" {
			continue
		}
		place := fmt.Sprintf(`<svg y="%g" width="%d" height="%g" `, y, chartWidth, c.height())
		body.WriteString(strings.Replace(svg, "<svg ", place, 1))
		y += c.height() + letters
	}
	_, err := fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%g" viewBox="0 0 %d %g" font-family="Liberation Sans, Arial, sans-serif">`+
		`<rect width="100%%" height="100%%" fill="#fff"/><text x="2" y="%d" font-size="%d">%s</text>%s</svg>`+"\n",
		2*chartWidth, 2*y, chartWidth, y, letters+2, letters, template.HTMLEscapeString(title), &body)
	return err
}

func (c *Chart) headroom() vg.Length {
	if len(c.Marks) > 0 {
		return 30
	}
	return 16
}

// words writes the units: of the value above its axis, of the other below.
func (c *Chart) words(dc draw.Canvas, height vg.Length) {
	sty := textStyle(second)
	sty.XAlign, sty.YAlign = text.XLeft, text.YTop
	dc.FillText(sty, vg.Point{X: 2, Y: height - 1}, c.Unit)
}

// Plot draws levels, marks and curves; it is what plot.Plot calls.
func (c *Chart) Plot(dc draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&dc)
	for _, l := range c.Levels {
		at := y(c.Scale(l.V))
		line := draw.LineStyle{Color: red, Width: 1.2}
		if l.Caution {
			line = draw.LineStyle{Color: amber, Width: 1, Dashes: dashes}
		}
		dc.StrokeLine2(line, dc.Min.X, at, dc.Max.X, at)
	}
	var taken []vg.Rectangle
	for _, l := range c.Levels {
		taken = append(taken, c.levelWords(dc, x, y, l, taken))
	}
	c.drawMarks(dc, x)
	c.cutOff(dc, x, y, p.Y.Min, p.Y.Max)
	for _, t := range c.Traces {
		sty := draw.LineStyle{Color: ink, Width: 1.1}
		if t.Faint {
			sty = draw.LineStyle{Color: second, Width: 0.7}
		}
		if t.Dashed {
			sty.Dashes = dashes
		}
		for _, curve := range t.Curves {
			line := make([]vg.Point, len(curve))
			for i, pt := range curve {
				line[i] = vg.Point{X: x(c.where(pt)), Y: y(min(max(c.Scale(pt.V), p.Y.Min), p.Y.Max))}
			}
			if t.Interval {
				bar(dc, line)
				continue
			}
			if t.Dots || len(line) == 1 {
				for _, at := range line {
					dc.DrawGlyph(draw.GlyphStyle{Color: sty.Color, Radius: 2.5, Shape: draw.CircleGlyph{}}, at)
				}
			}
			if len(line) > 1 && !t.Dots {
				dc.StrokeLines(sty, line)
			}
		}
	}
}

// bar draws an interval from its low to its high end.
func bar(dc draw.Canvas, ends []vg.Point) {
	left, right := ends[0].X-finger/2, ends[0].X+finger/2
	low, high := ends[0].Y, ends[len(ends)-1].Y
	box := []vg.Point{{X: left, Y: low}, {X: right, Y: low}, {X: right, Y: high}, {X: left, Y: high}}
	dc.FillPolygon(faint, box)
	dc.StrokeLines(draw.LineStyle{Color: ink, Width: 1.1}, append(box, box[0]))
}

// where is where a point stands across: its time in seconds.
func (c *Chart) where(p Point) float64 { return p.At.Seconds() }

var plainer = strings.NewReplacer(
	"font-family:Liberation Sans;font-variant:normal;font-weight:normal;font-style:normal;", "",
	"\n\t", " ", "\n", "", ` style="fill:#000000"`, "")

// inline makes a drawing part of a page.
func inline(svg, says string) template.HTML {
	if i := strings.Index(svg, "<svg"); i >= 0 {
		svg = svg[i:]
	}
	svg = plainer.Replace(svg)
	if i := strings.Index(svg, "viewBox"); i >= 0 {
		svg = `<svg role="img" aria-label="` + template.HTMLEscapeString(says) + `" ` + svg[i:]
	}
	svg = strings.Replace(svg, ` xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"`, "", 1)
	return template.HTML(svg) // our own drawing; its words were escaped by its writer
}
