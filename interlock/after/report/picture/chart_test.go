package picture

import (
	"math"
	"strings"
	"testing"
	"time"
)

func noise(n int, mean, by float64) []Point {
	out := make([]Point, n)
	for i := range out {
		out[i] = Point{At: time.Duration(i) * time.Second, V: mean + by*math.Sin(float64(i)*1.7)}
	}
	return out
}

func chartOf(curve []Point, levels ...Level) *Chart {
	return &Chart{To: 300, Unit: "V", Scale: func(v float64) float64 { return v }, Traces: []Trace{{Curves: [][]Point{curve}}}, Levels: levels, Says: "test"}
}

// Noise of 0.02 V on a pack of 55 V is a line and no storm; what moves by a quarter fills
// the picture.
func TestAxisDoesNotMagnifyNoise(t *testing.T) {
	if low, high, _ := chartOf(noise(300, 55, 0.01)).span(); high-low < 2 || low > 55 || high < 55 {
		t.Errorf("noise: %g to %g", low, high)
	}
	if low, high, _ := chartOf(noise(300, 55, 7)).span(); high-low > 17 {
		t.Errorf("a real change: %g to %g", low, high)
	}
}

// One value a hundred times as high presses nothing into a line, and is named; a peak
// that the limit makes plain, or one among few values, is shown whole.
func TestAxisIsNotFlattenedByOnePoint(t *testing.T) {
	curve := noise(300, 300, 50)
	curve[77].V = 50000
	c := chartOf(curve, Level{V: 1800, Words: "limit 1800 N"})
	if low, high, _ := c.span(); high > 4000 || low > 250 {
		t.Errorf("one far point: %g to %g", low, high)
	}
	if svg := string(c.SVG()); !strings.Contains(svg, "to 50000 V, cut off") {
		t.Errorf("what is cut off is not named: %s", svg)
	}
	curve[77].V = 5000
	if _, high, _ := c.span(); high < 5000 {
		t.Errorf("a snatch past its limit is cut off at %g", high)
	}
	if svg := string(c.SVG()); strings.Contains(svg, "cut off") {
		t.Error("a snatch is said to be cut off")
	}
	if _, high, _ := chartOf([]Point{{0, 1}, {time.Second, 1.1}, {2 * time.Second, 90}}).span(); high < 90 {
		t.Errorf("one of three values is cut off at %g", high)
	}
}

// A forecast's interval is a bar that a finger covers, whatever the page's width.
func TestIntervalIsAsWideAsAFinger(t *testing.T) {
	c := chartOf(noise(3, 0.5, 0.1))
	c.Traces = append(c.Traces, Trace{Interval: true, Curves: [][]Point{{{150 * time.Second, 0.6}, {150 * time.Second, 0.8}}}})
	if svg := string(c.SVG()); !strings.Contains(svg, "fill:#CCCCCC") {
		t.Errorf("no bar: %s", svg)
	}
}
