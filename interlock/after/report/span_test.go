package report

import (
	"testing"
	"time"
)

// A value that hangs at its caution for a minute and goes in and out at four times a second
// is one event with its span, its count and its worst value; one that comes back after more
// than the gap is another, and what a trip came with is none of them.
func TestChatterIsOneNearMiss(t *testing.T) {
	var all []Caution
	add := func(rule string, at, lasted time.Duration, headroom float64, near bool) {
		all = append(all, Caution{At: seconds(at), Lasted: seconds(lasted), Rule: rule, Near: near,
			Worst: &Quantity{Value: 100 - headroom}, Headroom: &Quantity{Value: headroom}})
	}
	for i := range 240 {
		headroom := 9.0
		if i == 77 {
			headroom = 0.5
		}
		add("pull", time.Duration(i)*250*time.Millisecond, 40*time.Millisecond, headroom, true)
		if i == 10 {
			add("tilt", 3*time.Second, time.Second, 4, true)
		}
	}
	add("pull", 66*time.Second, 40*time.Millisecond, 3, true)
	add("pull", 67*time.Second, 400*time.Millisecond, -1, false)
	got := spansOf(all)
	if len(got) != 4 || nearMisses(got) != 3 {
		t.Fatalf("%d spans, %d near misses: %+v", len(got), nearMisses(got), got)
	}
	pull := got[0]
	if pull.Count != 240 || pull.From.Value != 0 || pull.To.Value < 59.7 || pull.To.Value > 59.9 || pull.Worst.Value != 99.5 || pull.WorstAt.Value != 77*0.25 {
		t.Errorf("%+v", pull)
	}
	// Nothing is erased: a snatch of 40 ms alone is a near miss of its own.
	if one := got[2]; one.Count != 1 || one.Came() != "near miss" || one.Worst.Value != 97 {
		t.Errorf("%+v", one)
	}
	if got[3].Came() != "with a trip" {
		t.Errorf("%+v", got[3])
	}
}
