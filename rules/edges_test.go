package rules

import (
	"math"
	"testing"
	"time"
)

// Every row of the catalogue has a period and a staleness that a sensor can
// keep: an hour for a period, or none at all, is a slip of the pen.
func TestCatalogueHasUsableTimes(t *testing.T) {
	for _, c := range Catalogue() {
		if c.Period < time.Millisecond || c.Period > 10*time.Second {
			t.Errorf("%s: expected every %v", c.Name, c.Period)
		}
		if c.Stale < c.Period || c.Stale > 15*time.Minute {
			t.Errorf("%s: stale after %v, expected every %v", c.Name, c.Stale, c.Period)
		}
		if !(c.Low < c.High) {
			t.Errorf("%s: plausible from %v to %v", c.Name, c.Low, c.High)
		}
	}
}

// Limits in a contradiction are what may still be: their ends belong to it.
func TestAllowedIncludesItsEnds(t *testing.T) {
	a := allowed{low: 1, high: 3}
	for v, want := range map[float64]bool{1: true, 2: true, 3: true, math.Nextafter(1, 0): false, math.Nextafter(3, 4): false} {
		if a.leaves(v) != want {
			t.Errorf("from 1 to 3, and %v is left: %v", v, !want)
		}
	}
	a.gaps = append(a.gaps, [2]float64{1.5, 2.5}) // a gap's ends are outside it
	for v, want := range map[float64]bool{1: true, 1.5: true, 1.6: false, 2: false, 2.4: false, 2.5: true, 3: true} {
		if a.leaves(v) != want {
			t.Errorf("with a gap from 1.5 to 2.5, and %v is left: %v", v, !want)
		}
	}
}

// A gap that swallows all that is left leaves nothing; one that reaches past one
// end of it, or to it, does.
func TestGapThatSwallowsTheRest(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      bool
	}{{1.6, 2.4, true}, {1.6, 2.5, false}, {1.5, 2.4, false}, {1, 2.4, false}, {1.6, 3, false}, {1, 3, false}, {0, 1, false}, {3, 4, false}} {
		a := allowed{low: c.low, high: c.high, gaps: [][2]float64{{1.5, 2.5}}}
		if a.empty(false) != c.want {
			t.Errorf("from %v to %v with a gap from 1.5 to 2.5: empty %v", c.low, c.high, !c.want)
		}
	}
}

// Limits stay readable: an exponent only where the digits would not be.
func TestExactTextWithoutExponent(t *testing.T) {
	for _, c := range []struct {
		si   float64
		unit string
		want string
	}{
		{2000000, "N", "2000000 N"}, {12345678, "Pa", "12345678 Pa"}, {0.00002, "m", "0.00002 m"}, {0.000001, "m", "0.000001 m"},
		{0.0000005, "m", "5e-07 m"}, {1e15, "N", "1e+15 N"}, {0, "m", "0 m"},
	} {
		if got := FormatExact(c.si, c.unit); got != c.want {
			t.Errorf("%v in %s is %q, want %q", c.si, c.unit, got, c.want)
		}
	}
}

// A rate may be taken over a minute, and over two samples.
func TestLongestAndShortestRate(t *testing.T) {
	c := Tension.Channel()
	for over, want := range map[time.Duration]bool{longestOver: true, longestOver + time.Millisecond: false, 2 * c.Period: true, 2*c.Period - time.Millisecond: false} {
		text := "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\nwatch = \"tether.tension\"\nrising_faster = \"100 N/s\"\nstop = \"immediate\"\nover = \"" + FormatDuration(over) + "\"\n"
		if _, faults := ReadEnvelope("e", []byte(text)); (len(faults) == 0) != want {
			t.Errorf("over %v: %v", over, faults)
		}
	}
}
