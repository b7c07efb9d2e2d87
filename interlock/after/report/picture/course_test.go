package picture

import (
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// TestCourse_KeepsEveryPeak: however long the channel, the buckets stay few and
// the highest and lowest value keep their places.
func TestCourse_KeepsEveryPeak(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		most := 8 + rnd.IntN(60)
		s := NewCourse(0, rules.Never, most)
		var low, high Point
		at := time.Duration(0)
		for i := range 1 + rnd.IntN(3000) {
			at += time.Duration(rnd.IntN(2_000_000_000))
			v := rnd.NormFloat64()
			s.Take(at, limits.Reading{At: at, Value: v, Quality: rules.Good})
			if i == 0 || v < low.V {
				low = Point{At: at, V: v}
			}
			if i == 0 || v > high.V {
				high = Point{At: at, V: v}
			}
		}
		if len(s.buckets) > most {
			t.Fatalf("%d buckets, want at most %d", len(s.buckets), most)
		}
		var before time.Duration
		foundLow, foundHigh := false, false
		for _, curve := range s.Curves(rules.Never / 2) {
			for _, p := range curve {
				if p.At < before {
					t.Fatalf("time runs back: %v after %v", p.At, before)
				}
				before = p.At
				foundLow, foundHigh = foundLow || p == low, foundHigh || p == high
			}
		}
		if !foundLow || !foundHigh {
			t.Fatalf("low %v %v, high %v %v", low, foundLow, high, foundHigh)
		}
	}
}

// TestCourse_GapBreaksTheCurve: what was missing is not drawn over.
func TestCourse_GapBreaksTheCurve(t *testing.T) {
	s := NewCourse(0, 10*time.Second, 100)
	for i := range 100 {
		at := time.Duration(i) * 100 * time.Millisecond
		r := limits.Reading{At: at, Value: 1, Quality: rules.Good}
		if i >= 40 && i < 60 {
			r = limits.Reading{At: at, Cause: rules.Stale}
		}
		s.Take(at, r)
	}
	if n := len(s.Curves(time.Second)); n != 2 {
		t.Errorf("%d stretches, want 2", n)
	}
	silent := NewCourse(0, 10*time.Second, 100)
	for _, at := range []time.Duration{0, time.Second, 6 * time.Second, 7 * time.Second} {
		silent.Take(at, limits.Reading{At: at, Value: 1, Quality: rules.Good})
	}
	if n := len(silent.Curves(2 * time.Second)); n != 2 {
		t.Errorf("after a silence: %d stretches, want 2", n)
	}
}
