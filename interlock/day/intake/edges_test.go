package intake

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

func TestWhatIsNoNumberIsMissing(t *testing.T) {
	for v, want := range map[float64]interlock.Sample{
		math.Inf(1): missing(rules.Tension, rules.NotANumber), math.Inf(-1): missing(rules.Tension, rules.NotANumber),
		1e12: missing(rules.Tension, rules.Implausible), 7: {Channel: rules.Tension, Quality: rules.Good, Value: 7},
	} {
		if got := measured(rules.Tension, v); got != want {
			t.Errorf("%v: %+v, want %+v", v, got, want)
		}
	}
	if got := measured(rules.Tension, math.NaN()); got != missing(rules.Tension, rules.NotANumber) {
		t.Errorf("NaN: %+v", got)
	}
}

// One end of the converter's range is enough to be saturated at.
func TestRangeWithOneEndAtZero(t *testing.T) {
	for _, c := range []struct {
		low, high, v int32
		saturated    bool
	}{{0, 5000, 4999, false}, {0, 5000, 5000, true}, {0, 5000, 0, true}, {-5000, 0, -4999, false}, {-5000, 0, -5000, true}, {-5000, 0, 0, true}, {0, 0, 0, false}} {
		cfg := LoadCellConfig{Fitted: true, NewtonsPerCount: 0.1, Low: c.low, High: c.high}
		if got := cfg.tension(Count{Value: c.v}); (got.Cause == rules.Saturated) != c.saturated {
			t.Errorf("%d of %d to %d: %+v", c.v, c.low, c.high, got)
		}
	}
}

// A number that runs back is a frame that was overtaken, up to a silence of a
// second; after a longer one it is the end of a long loss.
func TestOvertakenUpToASecond(t *testing.T) {
	for after, lost := range map[time.Duration]uint32{lossSilent - 1: 0, lossSilent: 0, lossSilent + 1: 199} {
		var l loss
		l.take(0, 10, false)
		l.take(after, 10+200, false)
		if got := l.lost[0] + l.lost[1]; got != lost {
			t.Errorf("200 numbers on after %v: %d counted lost, want %d", after, got, lost)
		}
	}
}
