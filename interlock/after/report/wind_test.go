package report

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// TestWind_WorkedExample: 14 samples one second apart, and the running gust and
// mean that a maker of wind sensors prints for them (WS425 User's Guide
// M210361EN-E, p. 20, table 7): highest gust 9.2, mean 7.1.
func TestWind_WorkedExample(t *testing.T) {
	samples := []float64{8, 7, 6, 3, 5, 3, 4, 9, 8, 7, 6, 10, 12, 11}
	b := newBreeze(0, 13*time.Second)
	for i, v := range samples {
		at := time.Duration(i) * time.Second
		b.take(at, limits.Reading{At: at, Value: v, Quality: rules.Good})
		if i < 4 {
			continue // no gust before five samples
		}
		sum := 0.0
		for _, x := range samples[i-4 : i+1] {
			sum += x
		}
		r := limits.Reading{At: at, Value: sum / 5, Quality: rules.Good}
		b.gust.take(at, r)
		b.lull.take(at, r)
	}
	p := b.period("all", time.Second, "m/s")
	if p.Mean == nil || math.Abs(p.Mean.Value-7.1) > 0.05 {
		t.Errorf("mean %v, want 7.1", p.Mean)
	}
	if p.Gust == nil || math.Abs(p.Gust.Value-9.2) > 1e-9 || p.GustAt.Value != 13 {
		t.Errorf("gust %v at %v, want 9.2 at the last sample", p.Gust, p.GustAt)
	}
	// The lowest five-second sum of the table is 21.
	if p.Lull == nil || math.Abs(p.Lull.Value-4.2) > 1e-9 {
		t.Errorf("lull %v, want 4.2", p.Lull)
	}
	// G = gust over mean of the same period (WMO/TD-No. 1555, equation 14).
	if p.Factor == nil || math.Abs(*p.Factor-9.2/(99.0/14)) > 1e-9 {
		t.Errorf("gust factor %v", p.Factor)
	}
}

// TestWind_HalfMissing: with over half of the samples invalid a value is
// reported missing (WXT532 guide, p. 33).
func TestWind_HalfMissing(t *testing.T) {
	for _, c := range []struct {
		good  int
		known bool
	}{{51, true}, {49, false}} {
		b := newBreeze(0, 100*time.Second)
		for i := range 100 {
			r := limits.Reading{Value: 5, Quality: rules.Good}
			if i >= c.good {
				r = limits.Reading{Cause: rules.Stale}
			}
			b.take(time.Duration(i)*time.Second, r)
		}
		if p := b.period("", time.Second, "m/s"); (p.Mean != nil) != c.known {
			t.Errorf("%d of 100 good: mean %v", c.good, p.Mean)
		}
	}
}
