package derived

import (
	"math"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// homeAt is a table in which home stands there.
func homeAt(lat, lon, alt float64) *limits.Table {
	var t limits.Table
	for id, v := range map[rules.ChannelID]float64{rules.HomeLatitude: lat, rules.HomeLongitude: lon, rules.HomeAltitude: alt} {
		t[id] = limits.Reading{Value: v, Quality: rules.Good}
	}
	return &t
}

// Home moved when it is more than so far off, level or upright, and not at just that;
// it is believed again after ten seconds at rest, and not a nanosecond before.
func TestHomeAtItsBorders(t *testing.T) {
	level := homeWanders / earthRadius // rad
	for float64(earthRadius*level) > homeWanders {
		level = math.Nextafter(level, 0)
	}
	for float64(earthRadius*level) < homeWanders {
		level = math.Nextafter(level, 1)
	}
	if float64(earthRadius*level) != homeWanders {
		t.Fatalf("no angle is %v m", homeWanders)
	}
	for _, c := range []struct {
		lat, lon, alt float64
		want          bool
	}{
		{level, 0, 0, false}, {-level, 0, 0, false}, {0, level, 0, false}, {0, -level, 0, false}, {0, 0, homeMoves, false}, {0, 0, -homeMoves, false},
		{math.Nextafter(level, 1), 0, 0, true}, {-math.Nextafter(level, 1), 0, 0, true}, {0, math.Nextafter(level, 1), 0, true}, {0, 0, math.Nextafter(homeMoves, 9), true}, {0, 0, -math.Nextafter(homeMoves, 9), true},
		{level, level, 0, true}, {level * 0.7, level * 0.7, 0, false}, {level * 0.8, level * 0.8, 0, true},
	} {
		var h home
		h.look(0, homeAt(0, 0, 0), nil)
		if h.look(time.Second, homeAt(c.lat, c.lon, c.alt), nil); h.moved != c.want {
			t.Errorf("%+v: moved %v", c, h.moved)
		}
	}
	for rest, want := range map[time.Duration]bool{homeRests - 1: true, homeRests: false} {
		h := home{moved: true, restedFrom: time.Second}
		at := homeAt(0, 0, 0)
		at[rules.CraftArmed] = limits.Reading{At: time.Second + rest, Quality: rules.Good}
		if h.look(time.Second+rest, at, nil); h.moved != want {
			t.Errorf("at rest for %v it counts as moved: %v", rest, h.moved)
		}
	}
}

// Every limit and caution on the apex is one that silence alone may cross; none of
// another channel is.
func TestWatchingTakesEveryLimitOnTheApex(t *testing.T) {
	for _, c := range []struct {
		rule rules.Rule
		want []float64
	}{
		{rules.Rule{Watch: rules.Apex, Form: rules.Above, Limit: 7}, []float64{7}},
		{rules.Rule{Watch: rules.Apex, Form: rules.Above, Limit: 7, HasCaution: true, Caution: 5}, []float64{7, 5}},
		{rules.Rule{Watch: rules.Apex, Form: rules.Outside, Limit: -1, LimitHigh: 7}, []float64{-1, 7}},
		{rules.Rule{Watch: rules.Apex, Form: rules.Outside, Limit: -1, LimitHigh: 7, HasCaution: true, Caution: 1, CautionHigh: 5}, []float64{-1, 1, 7, 5}},
		{rules.Rule{Watch: rules.Height, Form: rules.Above, Limit: 7}, nil},
	} {
		if got := (Config{ApexThresholds: []float64{99}}).Watching(&rules.Envelope{Rules: []rules.Rule{c.rule}}).ApexThresholds; !slices.Equal(got, c.want) {
			t.Errorf("%+v: %v, want %v", c.rule, got, c.want)
		}
	}
}

// Before the first 3 s mean the peak says that it is not filled yet, and why it is
// missing behind that.
func TestPeakBeforeTheFirstMean(t *testing.T) {
	r := newRig(t, whole(), rules.Peak10)
	r.put(0, rules.WindSpeed, 5)
	r.wantMissing(t, rules.Peak10, rules.NotFilled)
	if r.count[rules.Peak10] != 1 {
		t.Errorf("it is told %d times, want once", r.count[rules.Peak10])
	}
	if p := r.calcs[len(r.calcs)-1].(*peakWind); p.window.n != 0 {
		t.Errorf("the ten minutes have begun with %d means", p.window.n)
	}
}

// Of two samples of one instant the later counts, also of the very first two.
func TestLineOfOneInstant(t *testing.T) {
	l := newLine(time.Second, 8)
	l.add(0, 1)
	l.add(0, 5)
	if slope, _, ok := l.fit(); ok || l.n != 1 {
		t.Errorf("a slope of %v from one instant, %d samples", slope, l.n)
	}
	l.add(time.Second, 7)
	if slope, v, ok := l.fit(); !ok || slope != 2 || v != 7 {
		t.Errorf("%v, %v, %v", slope, v, ok)
	}
	l.add(time.Second+1, 7)
	if l.n != 2 {
		t.Errorf("%d samples within the span, want 2", l.n)
	}
}

// Nor has one instant of the tension a slope, also where the last two samples count.
func TestTensionRateOfOneInstant(t *testing.T) {
	r := newRig(t, whole(), rules.TensionRate)
	r.put(0, rules.Tension, 100)
	r.put(0, rules.Tension, 150)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled)
}

func TestNoAngleOfNoNumber(t *testing.T) {
	for _, c := range [][2]float64{{math.NaN(), 0}, {0, math.NaN()}, {math.NaN(), 1}, {1, math.NaN()}, {math.NaN(), math.Inf(1)}, {math.Inf(1), math.NaN()}} {
		if got := atan2(c[0], c[1]); !math.IsNaN(got) {
			t.Errorf("the angle of %v is %v", c, got)
		}
	}
}
