package picture

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
)

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

// wholeTicks are whole numbers only, some n of them.
type wholeTicks int

func (n wholeTicks) Ticks(low, high float64) []plot.Tick {
	step := max(1, int(high-low)/int(n))
	var out []plot.Tick
	for i := int(math.Ceil(low)); float64(i) <= high; i += step {
		out = append(out, plot.Tick{Value: float64(i), Label: fmt.Sprint(i)})
	}
	return out
}
