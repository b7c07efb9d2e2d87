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

// Limits in a contradiction are what may still be: their ends belong to it, those of a
// gap too. A gap that swallows all that is left leaves nothing; one that reaches past one
// end of it, or to it, does. Of two gaps the one may swallow what the other leaves.
func TestWhatIsLeftOfAChannel(t *testing.T) {
	gap := &Permissive{Form: Outside, Limit: 1.5, LimitHigh: 2.5}
	next := &Permissive{Form: Outside, Limit: 2.25, LimitHigh: 4}
	for _, c := range []struct {
		low, high float64
		gaps      []*Permissive
		want      bool
	}{
		{1, 3, nil, true}, {1, 1, nil, true}, {math.Nextafter(1, 2), 1, nil, false},
		{1.6, 2.4, []*Permissive{gap}, false}, {1.6, 2.5, []*Permissive{gap}, true}, {1.5, 2.4, []*Permissive{gap}, true}, {1, 2.4, []*Permissive{gap}, true},
		{1.6, 3, []*Permissive{gap}, true}, {1, 3, []*Permissive{gap}, true}, {0, 1, []*Permissive{gap}, true}, {3, 4, []*Permissive{gap}, true},
		{1.6, 3, []*Permissive{gap, next}, false}, {1.6, 4, []*Permissive{gap, next}, true},
	} {
		rule := &Rule{Form: Outside, Limit: c.low, LimitHigh: c.high}
		allow := []func(float64) bool{func(v float64) bool { return rule.Side(v) != Beyond }}
		limits := []float64{c.low, c.high}
		for _, g := range c.gaps {
			allow, limits = append(allow, g.Holds), append(limits, g.Limit, g.LimitHigh)
		}
		if left(false, allow, limits) != c.want {
			t.Errorf("from %v to %v with %d gaps: something is left %v", c.low, c.high, len(c.gaps), !c.want)
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
		// Next to the zero of a scale that is another than ours there is next to nothing
		// left of the number: the zero itself stays one, and no digit is too many.
		{-160. / 9, "°F", "0 °F"}, {0, "°F", "32 °F"}, {math.Nextafter(math.Nextafter(-160./9, 0), 0), "°F", "1e-14 °F"},
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
