package derived

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Silence alone takes the apex past its limit at one nanosecond: a later one would be
// too late, an earlier one a trip without a cause.
func TestApexCrossesAtTheVeryNanosecond(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := &apex{
			h: rapid.Float64Range(-2, 30).Draw(t, "h"), v: rapid.Float64Range(-6, 6).Draw(t, "v"), surplus: rapid.SampledFrom([]float64{0, 0.1, Gravity, 30}).Draw(t, "A"),
			at: time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "at")), lag: time.Duration(rapid.Int64Range(0, 1e9).Draw(t, "lag")), reaction: time.Duration(rapid.Int64Range(0, 3e9).Draw(t, "reaction")),
		}
		at := a.at + time.Duration(rapid.Int64Range(0, 5e8).Draw(t, "later"))
		limit := a.top(at) + rapid.SampledFrom([]float64{0, 1e-9, 0.01, 1, 40}).Draw(t, "room")
		due := a.crossing(at, limit)
		if due == rules.Never {
			if a.top(at+time.Hour) > limit {
				t.Fatalf("%+v is past %v within an hour, and never due", a, limit)
			}
			return
		}
		if due <= at || !(a.top(due) > limit) || due > at+1 && a.top(due-1) > limit {
			t.Fatalf("%+v at %v is due %v for %v: %v there, %v just before", a, at, due, limit, a.top(due), a.top(due-1))
		}
	})
	r := newRig(t, whole(), rules.Apex)
	for lag, want := range map[float64]time.Duration{1800: 30 * time.Minute, 3600: time.Hour, 3601: time.Hour, 0: 0} {
		r.t[rules.LinkLag] = limits.Reading{Value: lag, Quality: rules.Good}
		r.put(0, rules.ClimbGlobal, 0)
		r.put(0, rules.HeightGlobal, 1)
		if a := r.calcs[len(r.calcs)-1].(*apex); a.lag != want {
			t.Errorf("a lag of %v s counts as %v, want %v", lag, a.lag, want)
		}
	}
}

// Only a height that looks down needs no home to count from.
func TestHeightsThatNeedAHome(t *testing.T) {
	for _, c := range []struct {
		sources []rules.ChannelID
		want    bool
	}{{[]rules.ChannelID{rules.HeightRange}, false}, {[]rules.ChannelID{rules.HeightClearance}, false}, {[]rules.ChannelID{rules.HeightGlobal}, true}, {[]rules.ChannelID{rules.HeightRange, rules.HeightLocal}, true}} {
		if h := newHeight(Config{HeightSources: c.sources}); h.overHome != c.want {
			t.Errorf("%v is counted from home: %v", c.sources, h.overHome)
		}
	}
}

// Sources apart by just what is allowed agree; a step of just the limit, at once or
// over three seconds, is a step.
func TestHeightsAtTheirBorders(t *testing.T) {
	h := newHeight(Config{HeightSources: []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal}, Disagreement: 0.5})
	for other, want := range map[float64]bool{2.5: false, 1.5: false, 2.5001: true, 1.4999: true} {
		var table limits.Table
		table[rules.HeightGlobal], table[rules.HeightLocal] = limits.Reading{Value: 2, Quality: rules.Good}, limits.Reading{Value: other, Quality: rules.Good}
		if _, _, apart := h.poll(0, &table); apart != want {
			t.Errorf("2 m and %v m are apart: %v", other, apart)
		}
	}
	for _, c := range []struct {
		values []float64
		want   bool
	}{{[]float64{0, stepLimit}, true}, {[]float64{0, -stepLimit}, true}, {[]float64{0, math.Nextafter(stepLimit, 0)}, false}, {[]float64{0, stepLimit / 2, stepLimit}, true}, {[]float64{0, stepLimit / 2, 0}, false}, {[]float64{0, -stepLimit / 2, stepLimit / 2}, true}} {
		h := newHeight(Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}})
		for k, v := range c.values {
			h.check(time.Duration(k)*ms(100), v, 0)
		}
		if h.holding != c.want {
			t.Errorf("heights %v: a step %v", c.values, h.holding)
		}
	}
	// Across a silence nothing is left of where it was but the last height.
	for step, want := range map[float64]bool{stepLimit: true, -stepLimit: true, math.Nextafter(stepLimit, 0): false} {
		h := newHeight(Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}})
		h.check(0, 0, 0)
		if h.check(2*stepSpan, step, 0); h.holding != want {
			t.Errorf("%v m across a silence: a step %v", step, h.holding)
		}
	}
	for back, want := range map[time.Duration]bool{bootBack: false, bootBack + 1: true} {
		r := newRig(t, whole(), rules.LinkLag)
		r.put(0, rules.CraftBootClock, 100)
		l := r.calcs[0].(*linkLag)
		r.put(ms(10), rules.CraftBootClock, (100*time.Second - back).Seconds())
		if restarted := l.start == ms(10); restarted != want {
			t.Errorf("back by %v: restarted %v", back, restarted)
		}
	}
	var table limits.Table
	for flags, want := range map[float64]rules.Cause{65535: rules.NoCause, 65536: rules.Unhealthy, -1: rules.Unhealthy} {
		var e estimator
		table[rules.EstimatorFlags] = limits.Reading{Value: flags, Quality: rules.Good}
		if got := e.look(0, &table); got != want {
			t.Errorf("flags %v: %q, want %q", flags, got, want)
		}
	}
}

// What is full keeps the newest, and the last one kept longest: an extreme that left
// early would be too low. What is cleared has nothing left.
func TestFullAndCleared(t *testing.T) {
	l := newLine(time.Second, 4)
	for k, v := range []float64{50, 40, 1, 2, 3, 4} {
		l.add(time.Duration(k)*ms(100), v)
	}
	if slope, v, ok := l.fit(); !ok || math.Abs(slope-10) > 1e-9 || math.Abs(v-4) > 1e-9 || l.n != 4 {
		t.Errorf("of the last four: %v, %v, %v, %d kept", slope, v, ok, l.n)
	}
	c := l.clone()
	if l.clear(); l.n != 0 {
		t.Errorf("%d kept", l.n)
	}
	if slope, v, ok := l.fit(); slope != 0 || v != 0 || ok {
		t.Errorf("cleared: %v, %v, %v", slope, v, ok)
	}
	if l.add(time.Minute, 9); c.n != 4 || *c.sample(0) != (lineSample{ms(200), 1}) {
		t.Errorf("the clone has %d, the first %+v", c.n, *c.sample(0))
	}

	e := newExtreme(time.Second, ms(500), false)
	if e.value() != 0 {
		t.Errorf("empty: %v", e.value())
	}
	for k := range 20 {
		e.add(time.Duration(k)*ms(1), float64(100-k))
	}
	for at, want := range map[time.Duration]float64{ms(1010): 89, ms(1018): 89, ms(1019): 0} {
		c := e.clone()
		if c.evict(at); c.value() != want {
			t.Errorf("at %v the highest is %v, want %v", at, c.value(), want)
		}
	}

	w := newWindow(time.Second, ms(100))
	for k := range 9 {
		w.addReading(time.Duration(k)*ms(100), limits.Reading{Value: 5, Quality: rules.Doubtful})
	}
	if w.clear(); w.n != 0 || w.valid != 0 || w.doubted != 0 || w.sum != 0 {
		t.Errorf("cleared: %+v", w)
	}

	r := newRig(t, whole(), rules.TensionRate)
	r.put(0, rules.Tension, 100)
	r.miss(ms(50), rules.Tension, rules.Sentinel)
	r.put(ms(100), rules.Tension, 100)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled)
}

// At its floor a pack has no time left, however short it was watched; just above it that
// is not known yet.
func TestTimeToTheFloorAtIt(t *testing.T) {
	for above, want := range map[float64]rules.Quality{0: rules.Good, -0.1: rules.Good, 0.01: rules.Missing} {
		r := newRig(t, whole(), rules.PackToFloor)
		load(r, 0, whole().PackFloor+above, 5)
		if got := r.last[rules.PackToFloor]; got.Quality != want || got.Value != 0 {
			t.Errorf("%v V above its floor: %+v", above, got)
		}
	}
	// A line that is there already is so whether it falls or not.
	for value, want := range map[float64]float64{3.7: 0, 3.8: 0, 3.6: rules.PackToFloor.Channel().High} {
		if got := (&toFloor{n: 1, y: [2]float64{3.7, 3.7}}).reaches(1, value); got != want {
			t.Errorf("3.7 V that stays reaches %v V after %v s, want %v", value, got, want)
		}
	}
}

// The angle of a point that is infinitely far both ways is that of its signs.
func TestAngleOfInfinities(t *testing.T) {
	for _, y := range []float64{math.Inf(1), math.Inf(-1), 1, -1, 0} {
		for _, x := range []float64{math.Inf(1), math.Inf(-1), 1, -1} {
			if got, want := atan2(y, x), math.Atan2(y, x); !(math.Abs(got-want) <= 1e-15) {
				t.Errorf("Atan2(%v, %v) = %v, want %v", y, x, got, want)
			}
		}
	}
}

// Two readings make a step only if nothing came between them that was missing, in
// doubt, of another message or the wrong way round: that much of the load was not seen.
func TestPackStepAcrossWhatWasNotSeen(t *testing.T) {
	for name, c := range map[string]struct {
		between func(r *rig, at time.Duration)
		steps   bool
	}{
		"nothing": {func(*rig, time.Duration) {}, true},
		"no current": {func(r *rig, at time.Duration) {
			r.miss(at, rules.SupplyCurrent, rules.Sentinel)
			r.put(at, rules.SupplyVoltage, 12)
		}, false},
		"no voltage": {func(r *rig, at time.Duration) {
			r.put(at, rules.SupplyCurrent, 5)
			r.miss(at, rules.SupplyVoltage, rules.Sentinel)
		}, false},
		"a voltage alone": {func(r *rig, at time.Duration) { r.put(at, rules.SupplyVoltage, 12) }, false},
		"a current in doubt": {func(r *rig, at time.Duration) {
			r.doubtful(at, rules.SupplyCurrent, 5, rules.OutOfRange)
			r.put(at, rules.SupplyVoltage, 12)
		}, false},
		"a voltage in doubt": {func(r *rig, at time.Duration) {
			r.put(at, rules.SupplyCurrent, 5)
			r.doubtful(at, rules.SupplyVoltage, 12, rules.Disagreement)
		}, false},
		"a current into it":     {func(r *rig, at time.Duration) { load(r, at, 12, -1.1) }, false},
		"a current just around": {func(r *rig, at time.Duration) { load(r, at, 12, -1) }, true},
	} {
		r, at := identified(t)
		x := r.calcs[0].(*resistance)
		load(r, at, 12, 5)
		c.between(r, at+ms(250))
		before := x.ii
		if load(r, at+ms(500), 11, 30); (x.ii != before) != c.steps {
			t.Errorf("%s in between: a step %v", name, x.ii != before)
		}
	}
	r, at := identified(t)
	if load(r, at, 12, -1.01); r.last[rules.PackResistance].Cause != rules.OutOfRange {
		t.Errorf("a current into the pack: %+v", r.last[rules.PackResistance])
	}
	// A current that sticks does so without a break.
	r, at = identified(t)
	for k := range 38 {
		if load(r, at, 12, 5); r.last[rules.PackResistance].Quality != rules.Good {
			t.Errorf("%d of the same, with a missing one amid: %+v", k, r.last[rules.PackResistance])
		}
		if at += ms(250); k == 18 {
			r.miss(at, rules.SupplyCurrent, rules.Sentinel)
			r.put(at, rules.SupplyVoltage, 12)
			at += ms(250)
		}
	}
	if load(r, at, 12, 5); r.last[rules.PackResistance].Cause != rules.Frozen {
		t.Errorf("twenty of the same: %+v", r.last[rules.PackResistance])
	}
}

// Of nothing the functions make nothing without a sign, which would stand in a record as
// another number; of equal values the extreme keeps one, however many come.
func TestNoughtAndEqualValues(t *testing.T) {
	for name, f := range map[string]func(float64) float64{"sine": Sin, "arctangent": atan} {
		if got := f(0); got != 0 || math.Signbit(got) {
			t.Errorf("the %s of 0 is %v", name, got)
		}
	}
	for _, lowest := range []bool{true, false} {
		e := newExtreme(time.Second, ms(500), lowest)
		next := map[bool]float64{true: 7, false: 3}[lowest]
		for k := range 20 {
			e.add(time.Duration(k)*ms(1), 5)
		}
		e.add(ms(20), next)
		if e.evict(ms(1019)); e.value() != next {
			t.Errorf("lowest %v: %v outlasts its span, want %v", lowest, e.value(), next)
		}
	}
}
