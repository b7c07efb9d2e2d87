package rules

import (
	"math"
	"testing"
	"time"
)

// Closed forms: thrust goes with the square of the rotor speed, and the square
// of an even fall to rest over T adds up to T/3 at full thrust (integral of
// (1 − t/T)²).
func TestThrustOfAnEvenFall(t *testing.T) {
	for _, T := range []time.Duration{time.Nanosecond, time.Second, 3 * time.Second, 2400 * time.Millisecond, time.Minute - 1} {
		got := RotorsStanding{Standing: T}.Evenly(200*time.Millisecond).Gone - 200*time.Millisecond
		if exact := float64(T) / 3; float64(got) < exact || float64(got) > exact+1 {
			t.Errorf("%v to rest is %v of full thrust, want %v ns or the next above", T, got, exact)
		}
	}
}

func TestStatedIsNeverShort(t *testing.T) {
	for _, c := range []struct {
		told []time.Duration
		want time.Duration
	}{
		{nil, 3 * time.Second}, {[]time.Duration{time.Second}, 3 * time.Second}, {[]time.Duration{2 * time.Second, 4 * time.Second, 0}, 4 * time.Second},
	} {
		if s := Stated(c.told...); s.Standing != c.want || s.Measured || s.Says() != "stated, not measured" {
			t.Errorf("%v gives %+v", c.told, s)
		}
	}
}

func TestMarginRoundsUp(t *testing.T) {
	for _, c := range []struct{ d, want time.Duration }{
		{time.Second, 1250 * time.Millisecond}, {1, time.Millisecond}, {0, 0}, {1001 * time.Millisecond, 1252 * time.Millisecond},
	} {
		if got := WithMargin(c.d); got != c.want {
			t.Errorf("%v with its margin is %v, want %v", c.d, got, c.want)
		}
	}
	if got := WithMargin(2345678 * time.Microsecond); float64(got) < math.Ceil(2345.678*1.25)*1e6 {
		t.Errorf("rounded down: %v", got)
	}
}
