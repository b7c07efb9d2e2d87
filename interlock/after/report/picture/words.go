package picture

import (
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"downhaul/rules"
)

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
		if m.Words == "" {
			continue
		}
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
