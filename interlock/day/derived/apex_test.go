package derived

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// The formula's own check cases, computed from it by hand with g = 9.80665.
func TestApexCheckCases(t *testing.T) {
	const g = Gravity
	for _, c := range []struct{ h, v, t, a, want float64 }{
		{2, 5, 0, 0, 3.27465},
		{2, 5, 0, g, 3.27465},
		{3, 1, 0.30, g / 2, 3.83196},
		{5, -2, 0.30, g / 2, 5.00000},
		{3, 0, 0.45, g, 4.98585},
	} {
		if got := Coast(c.h, c.v, c.t, c.a); math.Abs(got-c.want) > 1e-5 {
			t.Errorf("h %v v %v T %v A %v: expected %v, got %.6f", c.h, c.v, c.t, c.a, c.want, got)
		}
	}
}

// Free fall, h = v²/2g: computed with g = 9.80665 m/s² (ICAO Doc 7488), the
// height a body thrown up at v reaches in vacuum.
func TestApexFreeFall(t *testing.T) {
	for _, c := range []struct{ v, h float64 }{{1, 0.05099}, {2, 0.20394}, {5, 1.27465}, {10, 5.09858}, {15, 11.47181}} {
		if got := Coast(0, c.v, 0, 0); math.Abs(got-c.h) > 1e-5 {
			t.Errorf("%v m/s: expected %v m, got %.6f", c.v, c.h, got)
		}
	}
	for _, c := range []struct{ h, v float64 }{{1, 4.4287}, {5, 9.9029}, {10, 14.0047}, {20, 19.8057}, {30, 24.2569}} {
		if got := Coast(0, c.v, 0, 0); math.Abs(got-c.h) > 2e-4*c.h {
			t.Errorf("%v m/s: expected %v m, got %.6f", c.v, c.h, got)
		}
	}
}

// The same cases through the calculators: height and climb of one frame.
func TestApexThroughTable(t *testing.T) {
	for _, c := range []struct {
		h, v, want float64
		reaction   time.Duration
		thrust     float64
	}{
		{2, 5, 3.27465, 0, 0},
		{3, 1, 3.83196, ms(300), 1.5 * Gravity},
		{5, -2, 5, ms(300), 1.5 * Gravity},
		{3, 0, 4.98585, ms(450), 2 * Gravity},
		{3, 0, 3, ms(450), 0.5 * Gravity}, // too heavy to lift itself: A is 0, not negative
	} {
		cfg := whole()
		cfg.Reaction, cfg.MaxAcceleration = c.reaction, c.thrust
		r := newRig(t, cfg, rules.Apex)
		r.put(ms(10), rules.ClimbGlobal, c.v)
		r.put(ms(10), rules.HeightGlobal, c.h)
		r.wantGood(t, rules.Apex, c.want, 1e-5)
	}
}

func TestApexErrorsAndLag(t *testing.T) {
	cfg := whole()
	cfg.ErrorHeight, cfg.ErrorClimb = 0.5, 0.25
	r := newRig(t, cfg, rules.Apex)
	r.put(0, rules.CraftBootClock, 100)
	r.put(ms(100), rules.CraftBootClock, 100.1)
	r.put(ms(350), rules.CraftBootClock, 100.2) // 150 ms late
	r.wantGood(t, rules.LinkLag, 0.15, 1e-9)
	r.put(ms(350), rules.ClimbGlobal, 1)
	r.put(ms(350), rules.HeightGlobal, 3)
	r.wantGood(t, rules.Apex, Coast(3.5, 1.25, 0.45, Gravity), 1e-9)
}

// A climb that is older than the height may have grown since.
func TestApexOlderClimb(t *testing.T) {
	r := newRig(t, whole(), rules.Apex)
	r.put(ms(0), rules.ClimbGlobal, 1)
	r.put(ms(200), rules.HeightGlobal, 3)
	r.wantGood(t, rules.Apex, Coast(3, 1+Gravity*0.2, 0.3, Gravity), 1e-9)
	r.put(ms(301), rules.HeightGlobal, 3)
	r.wantMissing(t, rules.Apex, rules.InputMissing)
}

func TestApexGrowsWithSilence(t *testing.T) {
	r := newRig(t, whole(), rules.Apex) // thresholds 5.5 and 7, T 0.3, A g
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 3)
	r.wantGood(t, rules.Apex, 3+0.5*Gravity*0.09*2, 1e-9)
	// With A = g and v = 0, apex = h + g·T²: 5.5 at T = √(2.5/g), 7 at √(4/g).
	for _, limit := range []float64{5.5, 7} {
		due := r.calcs[len(r.calcs)-1].Due()
		want := math.Sqrt((limit-3)/Gravity) - 0.3
		if math.Abs(seconds(due)-want) > 2e-9 {
			t.Fatalf("past %v: expected %v s, got %v", limit, want, due)
		}
		r.advance(due - 1)
		n := r.count[rules.Apex]
		r.advance(due)
		if r.count[rules.Apex] != n+1 {
			t.Fatalf("past %v: expected one result at %v", limit, due)
		}
		r.wantDoubtful(t, rules.Apex, rules.Stale)
		if v := r.last[rules.Apex].Value; !(v > limit) || v > limit+1e-6 {
			t.Fatalf("expected just past %v, got %v", limit, v)
		}
	}
	if due := r.calcs[len(r.calcs)-1].Due(); due != rules.Never {
		t.Fatalf("expected nothing more to come, got %v", due)
	}
}

// An apex that stands exactly on a limit is not past it; the next instant is.
func TestApexOnTheLimit(t *testing.T) {
	cfg := whole()
	cfg.Reaction = 0
	cfg.ApexThresholds = []float64{3}
	r := newRig(t, cfg, rules.Apex)
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 3)
	r.wantGood(t, rules.Apex, 3, 0)
	due := r.calcs[len(r.calcs)-1].Due()
	if due <= 0 || due > time.Microsecond { // g·T² must first show in the last bit of 3
		t.Fatalf("expected the limit to be passed at once, got %v", due)
	}
	r.advance(due)
	if got := r.last[rules.Apex]; !(got.Value > 3) {
		t.Fatalf("at %v it is not past the limit: %+v", due, got)
	}
}

// A missing height is no better than silence: the prediction goes on growing.
func TestApexMissingHeightKeepsGrowing(t *testing.T) {
	r := newRig(t, whole(), rules.Apex)
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 3)
	due := r.calcs[len(r.calcs)-1].Due()
	r.miss(ms(100), rules.HeightGlobal, rules.NotANumber)
	r.wantMissing(t, rules.Apex, rules.InputMissing)
	if got := r.calcs[len(r.calcs)-1].Due(); got != due {
		t.Fatalf("expected the prediction to stand (%v), got %v", due, got)
	}
	r.advance(due)
	r.wantDoubtful(t, rules.Apex, rules.Stale)
}

func TestApexProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := whole()
		cfg.Reaction = time.Duration(rapid.Int64Range(0, 2e9).Draw(t, "reaction"))
		cfg.MaxAcceleration = rapid.Float64Range(0, 40).Draw(t, "thrust")
		cfg.ErrorHeight = rapid.Float64Range(0, 1).Draw(t, "ε_h")
		cfg.ErrorClimb = rapid.Float64Range(0, 1).Draw(t, "ε_v")
		limit := rapid.Float64Range(-5, 60).Draw(t, "limit")
		cfg.ApexThresholds = []float64{limit}
		h := rapid.Float64Range(-5, 50).Draw(t, "h")
		v := rapid.Float64Range(-20, 20).Draw(t, "v")
		at := time.Duration(rapid.Int64Range(0, 1e13).Draw(t, "at"))
		a := newApex(cfg)
		var table limits.Table
		table[rules.Climb] = limits.Reading{At: at, Value: v, Quality: rules.Good}
		table[rules.Height] = limits.Reading{At: at, Value: h, Quality: rules.Good}
		out, _ := a.Sample(at, &table)
		if out.Quality != rules.Good || out.Value < h+cfg.ErrorHeight {
			t.Fatalf("apex %+v below the height %v", out, h)
		}
		// Monotone in age, up to the last bits of the sum.
		last := out.Value
		for k := 1; k <= 40; k++ {
			top := a.top(at + time.Duration(k)*50*time.Millisecond)
			if top < last-1e-12*math.Abs(last)-1e-12 {
				t.Fatalf("apex fell from %v to %v with age", last, top)
			}
			last = top
		}
		due := a.Due()
		switch {
		case out.Value > limit:
			if due != rules.Never {
				t.Fatalf("already past the limit, yet due %v", due)
			}
		case due == rules.Never:
			if cfg.MaxAcceleration > Gravity+0.01 || v+cfg.ErrorClimb > 0.01 { // slower ones take longer than a day
				t.Fatalf("the limit is never passed, though the apex grows")
			}
		default:
			if a.top(due) <= limit || a.top(due-1) > limit {
				t.Fatalf("due %v is not the first instant past the limit", due)
			}
			before := a.AppendState(nil, at)
			if _, ok := a.Tick(due-1, &table); ok || string(a.AppendState(nil, at)) != string(before) {
				t.Fatalf("a tick before its time did something")
			}
			if res, ok := a.Tick(due, &table); !ok || !(res.Value > limit) || res.Quality != rules.Doubtful {
				t.Fatalf("tick at its time gave %+v, %v", res, ok)
			}
			if a.Due() <= due {
				t.Fatalf("due did not move on")
			}
		}
	})
}

func BenchmarkApex(b *testing.B) {
	a := newApex(whole())
	var table limits.Table
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		at := time.Duration(i) * ms(100)
		table[rules.Climb] = limits.Reading{At: at, Value: 1, Quality: rules.Good}
		table[rules.Height] = limits.Reading{At: at, Value: 3, Quality: rules.Good}
		a.Sample(at, &table)
	}
}

// No apex is past the top of its channel's range, so a limit there is never due; and
// the search for the instant ends.
func TestApexPastItsRangeIsNeverDue(t *testing.T) {
	a := newApex(Config{MaxAcceleration: 20, ApexThresholds: []float64{rules.Apex.Channel().High}})
	var table limits.Table
	table[rules.Climb] = limits.Reading{Value: 5, Quality: rules.Good}
	table[rules.Height] = limits.Reading{Value: 10, Quality: rules.Good}
	a.Sample(0, &table)
	if a.Due() != rules.Never {
		t.Errorf("due at %v, want never", a.Due())
	}
}

// Too heavy to lift itself and not climbing, it is past a limit and grows no more: a
// longer reaction brings nothing that is to come.
func TestApexThatDoesNotRiseIsNeverDue(t *testing.T) {
	cfg := whole()
	cfg.MaxAcceleration = 0.5 * Gravity
	r := newRig(t, cfg, rules.Apex)
	a := r.calcs[len(r.calcs)-1].(*apex)
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 6)
	if a.React(ms(10), ms(600)); a.Due() != rules.Never {
		t.Errorf("due %v", a.Due())
	}
}

// What silence would take past its limit within a day is due, to the nanosecond; what
// takes a day or more is not.
func TestApexADayOffIsNeverDue(t *testing.T) {
	const climb = 1. / 128 // m/s: a day is 675 m, exactly
	a := &apex{v: climb}
	day := 86400*climb + climb*climb/(2*Gravity)
	if got := a.root(day); got != 86400 {
		t.Fatalf("it meets %v m after %v s, want a day", day, got)
	}
	for later, never := range map[time.Duration]bool{-time.Hour: false, -time.Second: false, 0: true, time.Second: true, 30 * time.Minute: true} {
		limit := day + climb*seconds(later)
		switch got := a.crossing(0, limit); {
		case never && got != rules.Never:
			t.Errorf("a day and %v off: due %v, want never", later, got)
		case !never && (got-24*time.Hour-later).Abs() > time.Microsecond:
			t.Errorf("a day and %v off: due %v", later, got)
		}
	}
}
