package picture

import (
	"bytes"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
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

// Mark is an instant with its words.
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
	Whole    bool // only whole numbers across
}

// InUnit returns what turns SI values into what people read.
func InUnit(unit string) func(float64) float64 {
	return func(si float64) float64 {
		if v, ok := rules.Convert(si, unit); ok {
			return v
		}
		return si
	}
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
		p.X.Tick.Marker = wholeTicks{}
	}
	p.Add(c)
	height := c.Height
	if height == 0 {
		height = chartHeight
	}
	canvas := vgsvg.New(chartWidth, height)
	dc := draw.New(canvas)
	// Room for the words of the marks above, and for the last number's half.
	p.Draw(draw.Crop(dc, 2, -10, 2, -c.headroom()))
	c.words(dc, height)
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return ""
	}
	return inline(b.String(), c.Says)
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

func style(a *plot.Axis, across text.XAlignment, up text.YAlignment) {
	a.Tick.Label = textStyle(second)
	a.Tick.Label.XAlign, a.Tick.Label.YAlign = across, up
	a.Tick.Length = 3
	a.Color, a.LineStyle.Color, a.Tick.LineStyle.Color = faint, faint, faint
	a.Padding = 3
}

func textStyle(c color.Color) text.Style {
	return text.Style{Color: c, Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: letters}, Handler: plot.DefaultTextHandler}
}

// ticks are at most n round numbers.
type ticks int

func (n ticks) Ticks(low, high float64) []plot.Tick {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(n))))
	for _, m := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*m) <= float64(n) {
			step *= m
			break
		}
	}
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var out []plot.Tick
	for i := math.Ceil(low/step - 1e-9); i*step <= high+step*1e-9; i++ {
		v := i * step
		out = append(out, plot.Tick{Value: v, Label: strings.Replace(fmt.Sprintf("%.*f", digits, v+0), "-0.", "−0.", 1)})
	}
	return out
}

// Ours, by looking at charts of flights.
const (
	leastToCut = 100  // of fewer values none is cut off
	farOff     = 3    // so many times what nearly all values span is far off
	leastShare = 0.04 // of the largest value: what the axis spans at least
	finger     = 28   // the width of an interval, in points: a finger's on a tablet or on paper
)

// span is the range of values that the chart shows: the curve, its limit and its
// caution, with some room.
func (c *Chart) span() (low, high float64, ok bool) {
	take := func(v float64) {
		if !ok {
			low, high, ok = v, v, true
		}
		low, high = min(low, v), max(high, v)
	}
	var all []float64
	for _, t := range c.Traces {
		for _, curve := range t.Curves {
			for _, p := range curve {
				all = append(all, c.Scale(p.V))
			}
		}
	}
	if len(all) == 0 {
		return 0, 0, false
	}
	slices.Sort(all)
	// What nearly all values and the levels span; few values far beyond it are cut off and
	// named, since one alone would press everything else into a line.
	few := len(all) / 100
	for _, v := range all[few : len(all)-few] {
		take(v)
	}
	for _, l := range c.Levels {
		take(c.Scale(l.V))
	}
	bulk, whole := high-low, len(all) < leastToCut
	if most := all[len(all)-1]; whole || bulk <= 0 || most-high <= farOff*bulk {
		take(most)
	} else {
		high += bulk / 2
	}
	if least := all[0]; whole || bulk <= 0 || low-least <= farOff*bulk {
		take(least)
	} else {
		low -= bulk / 2
	}
	// Noise is not blown up to the height of the picture.
	if least := leastShare * max(math.Abs(low), math.Abs(high)); high-low < least {
		low, high = (low+high-least)/2, (low+high+least)/2
	}
	room := (high - low) * 0.08
	if room == 0 {
		room = 0.1
	}
	low, high = low-room, high+room
	// The words of a limit stand beyond it.
	for _, l := range c.Levels {
		if v := c.Scale(l.V); !l.Caution && c.topIsLimit() {
			high = max(high, v+(high-low)*0.14)
		} else if !l.Caution {
			low = min(low, v-(high-low)*0.14)
		}
	}
	return low, high, true
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

// cutOff names the farthest value beyond the axis, at its place, on either side.
func (c *Chart) cutOff(dc draw.Canvas, x, y func(float64) vg.Length, low, high float64) {
	var far [2]struct {
		by float64
		Point
	}
	for _, t := range c.Traces {
		for _, curve := range t.Curves {
			for _, p := range curve {
				v := c.Scale(p.V)
				for side, by := range [2]float64{low - v, v - high} {
					if by > far[side].by {
						far[side].by, far[side].Point = by, p
					}
				}
			}
		}
	}
	for side, f := range far {
		if f.by <= 0 {
			continue
		}
		sty, at := textStyle(ink), vg.Point{X: x(c.where(f.Point)), Y: y(low) + 3}
		sty.YAlign = text.YBottom
		if side == 1 {
			sty.YAlign, at.Y = text.YTop, y(high)-3
		}
		words := "to " + rules.Format(c.Scale(f.V), "") + " " + c.Unit + ", cut off"
		if sty.XAlign = text.XLeft; at.X+4+sty.Width(words) > dc.Max.X {
			sty.XAlign = text.XRight
			at.X -= 8
		}
		dc.FillText(sty, vg.Point{X: at.X + 4, Y: at.Y}, words)
	}
}

// where is where a point stands across: its time in seconds.
func (c *Chart) where(p Point) float64 { return p.At.Seconds() }

// levelWords writes a limit's words at the right end of its line, away from the
// caution, or at the left where the curve or other words lie on fewer of them.
// The curve is drawn over them: it is what counts. It gives where they stand.
func (c *Chart) levelWords(dc draw.Canvas, x, y func(float64) vg.Length, l Level, taken []vg.Rectangle) vg.Rectangle {
	at := y(c.Scale(l.V))
	colour := color.Color(red)
	if l.Caution {
		colour = amber
	}
	sty := textStyle(colour)
	sty.XAlign, sty.YAlign = text.XRight, text.YBottom
	pos := vg.Point{X: dc.Max.X - 8, Y: at + 3}
	if l.Caution == (c.topIsLimit()) || at+letters+3 > dc.Max.Y {
		sty.YAlign, pos.Y = text.YTop, at-1.5
	}
	low, width := pos.Y, sty.Width(l.Words)
	if sty.YAlign == text.YTop {
		low -= letters
	}
	place := func(from vg.Length) vg.Rectangle {
		return vg.Rectangle{Min: vg.Point{X: from, Y: low}, Max: vg.Point{X: from + width, Y: low + letters}}
	}
	right, left := place(pos.X-width), place(dc.Min.X+8)
	hidden := func(r vg.Rectangle) int {
		n := c.across(x, y, r.Min.X, r.Max.X, low)
		for _, t := range taken {
			if r.Min.X < t.Max.X && t.Min.X < r.Max.X && r.Min.Y < t.Max.Y && t.Min.Y < r.Max.Y {
				n += 1000 // words over words are read by nobody
			}
		}
		return n
	}
	if hidden(left) < hidden(right) {
		sty.XAlign, pos.X, right = text.XLeft, left.Min.X, left
	}
	dc.FillText(sty, pos, l.Words)
	return right
}

// across counts the pieces of curves that go through a line of words between
// two places across.
func (c *Chart) across(x, y func(float64) vg.Length, from, to, low vg.Length) (n int) {
	for _, t := range c.Traces {
		for _, curve := range t.Curves {
			for i, pt := range curve {
				before := curve[max(0, i-1)]
				a, b := y(c.Scale(before.V)), y(c.Scale(pt.V))
				if x(c.where(pt)) >= from && x(c.where(before)) <= to && max(a, b) >= low && min(a, b) <= low+letters {
					n++
				}
			}
		}
	}
	return n
}

// topIsLimit reports whether the limit lies above the caution.
func (c *Chart) topIsLimit() bool {
	limit, caution := math.Inf(-1), math.Inf(-1)
	for _, l := range c.Levels {
		if l.Caution {
			caution = l.V
		} else {
			limit = l.V
		}
	}
	return limit > caution
}

// drawMarks draws the instants; those that stand too near to each other share
// their words, and the rows of words take turns.
func (c *Chart) drawMarks(dc draw.Canvas, x func(float64) vg.Length) {
	type group struct {
		at    vg.Length
		words []string
		main  bool
	}
	var groups []group
	for _, m := range c.Marks {
		at := x(m.At.Seconds())
		if at < dc.Min.X || at > dc.Max.X {
			continue
		}
		line := draw.LineStyle{Color: second, Width: 0.8, Dashes: stipple}
		if m.Main {
			line = draw.LineStyle{Color: red, Width: 0.9}
		}
		dc.StrokeLine2(line, at, dc.Min.Y, at, dc.Max.Y)
		if n := len(groups); n > 0 && at-groups[n-1].at < 9 {
			groups[n-1].words = append(groups[n-1].words, m.Words)
			groups[n-1].main = groups[n-1].main || m.Main
			continue
		}
		groups = append(groups, group{at, []string{m.Words}, m.Main})
	}
	var ends [2]vg.Length
	for _, g := range groups {
		words := strings.Join(g.words, ", ")
		colour := color.Color(second)
		if g.main {
			colour = red
		}
		sty := textStyle(colour)
		sty.YAlign = text.YBottom
		width := sty.Width(words)
		left := min(max(dc.Min.X-18, g.at-width/2), dc.Max.X+8-width)
		row := 0
		if left < ends[0]+8 {
			row = 1
		}
		if left < ends[row]+8 {
			left = ends[row] + 8
		}
		ends[row] = left + width
		dc.FillText(sty, vg.Point{X: left, Y: dc.Max.Y + 2 + vg.Length(row)*(letters+1)}, words)
	}
}

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

// wholeTicks are whole numbers only.
type wholeTicks struct{}

func (wholeTicks) Ticks(low, high float64) []plot.Tick {
	step := max(1, int((high-low)/12))
	var out []plot.Tick
	for i := 1; float64(i) <= high; i += step {
		out = append(out, plot.Tick{Value: float64(i), Label: fmt.Sprint(i)})
	}
	return out
}
