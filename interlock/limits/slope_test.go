package limits

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestSlope(t *testing.T) {
	s := NewSlope(time.Second)
	for k := range 10 {
		if _, ok := s.Add(time.Duration(k)*100*time.Millisecond, float64(k)); ok {
			t.Fatalf("a rate after %d ms", k*100)
		}
	}
	for k := 10; k < 200; k++ {
		if rate, ok := s.Add(time.Duration(k)*100*time.Millisecond, float64(k)); !ok || math.Abs(rate-10) > 1e-9 {
			t.Fatalf("expected 10 per second, got %v, %v", rate, ok)
		}
	}
	// A step counts in full over the span, then is gone.
	if rate, _ := s.Add(20000*time.Millisecond, 205); math.Abs(rate-15) > 1e-9 {
		t.Fatalf("expected 15 per second, got %v", rate)
	}
	if _, ok := s.Add(20100*time.Millisecond, math.NaN()); ok {
		t.Fatal("a rate to no number")
	}
	s.Reset()
	if _, ok := s.Add(20200*time.Millisecond, 1); ok {
		t.Fatal("a rate after a reset")
	}
}

func TestSlopeOlderThanItsSpan(t *testing.T) {
	s := NewSlope(100 * time.Millisecond)
	s.Add(0, 1)
	if rate, ok := s.Add(250*time.Millisecond, 2); !ok || rate != 4 {
		t.Fatalf("samples further apart than the span: expected 4, got %v, %v", rate, ok)
	}
}

// Against the whole history: the starting point is a sample that is at least
// the span old, and no older than the span, a 64th of it and one gap more.
func TestSlopeAgainstHistory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		over := time.Duration(rapid.Int64Range(1e6, 3e9).Draw(t, "over"))
		gap, least, count := rapid.Int64Range(1, 1e9).Draw(t, "largest gap"), int64(1), rapid.IntRange(2, 300).Draw(t, "samples")
		if rapid.Bool().Draw(t, "more of them within the span than there is room for") {
			gap, least, count = int64(over)/100, int64(over)/200, 300
		}
		s := NewSlope(over)
		type sample struct {
			at time.Duration
			v  float64
		}
		var all []sample
		at := time.Duration(0)
		var twin *Slope
		for k := range count {
			at += time.Duration(rapid.Int64Range(least, gap).Draw(t, "gap"))
			v := rapid.Float64Range(-100, 100).Draw(t, "value")
			if k == 20 {
				twin = s.Clone()
			}
			image := string(s.AppendState(nil, at))
			rate, ok := s.Add(at, v)
			if twin != nil && k == 20 {
				if string(twin.AppendState(nil, at)) != image {
					t.Fatal("a clone has another image")
				}
				r2, ok2 := twin.Add(at, v)
				if r2 != rate || ok2 != ok {
					t.Fatalf("a clone gives %v, %v instead of %v, %v", r2, ok2, rate, ok)
				}
			}
			oldEnough := len(all) > 0 && at-all[0].at >= over
			if ok != oldEnough {
				t.Fatalf("expected ok %v, got %v", oldEnough, ok)
			}
			found := !ok && rate == 0
			reach := over + over/slopeParts + 2*time.Duration(gap)
			for _, o := range all {
				if age := at - o.at; ok && age >= over && age <= reach && rate == (v-o.v)/(float64(age)/1e9) {
					found = true
				}
			}
			if !found {
				t.Fatalf("the rate %v starts at no sample of the right age", rate)
			}
			all = append(all, sample{at, v})
		}
	})
}

// Peek gives the rate that Add would, and leaves nothing behind.
func TestSlopePeekKeepsNothing(t *testing.T) {
	a, b := NewSlope(100*time.Millisecond), NewSlope(100*time.Millisecond)
	if _, ok := a.Peek(0, 1); ok {
		t.Error("a rate from nothing")
	}
	for k := range 50 {
		at, v := time.Duration(k)*10*time.Millisecond, float64(k*k)
		a.Peek(at, v+1000)
		peeked, had := a.Peek(at, v)
		rate, ok := a.Add(at, v)
		other, okToo := b.Add(at, v)
		if rate != other || ok != okToo || peeked != rate || had != ok {
			t.Fatalf("at %v: %v %v, peeked %v %v, without %v %v", at, rate, ok, peeked, had, other, okToo)
		}
	}
}
