package derived

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"
)

// The arctangent of 1 is π/4, and of its float64 neighbours what follows from
// the derivative 1/2; e to the largest power that is still finite is finite.
func TestExactAtItsEdges(t *testing.T) {
	if got := atan(1); got != math.Pi/4 {
		t.Errorf("Atan(1) = %v, want %v", got, math.Pi/4)
	}
	if got := atan(-1); got != -math.Pi/4 {
		t.Errorf("Atan(-1) = %v, want %v", got, -math.Pi/4)
	}
	const most = 7.09782712893383973096e+02 // ln of the largest float64
	if got := exp(most); math.IsInf(got, 0) || got < 1.797693134862e308 {
		t.Errorf("Exp(%v) = %v, want a finite number just under %v", most, got, math.MaxFloat64)
	}
	if got := exp(math.Nextafter(most, 1000)); !math.IsInf(got, 1) {
		t.Errorf("past it: %v", got)
	}
}

// Four times as many samples as expected still fit: the extreme is the very
// extreme of its span, whatever comes.
func TestExtremeHoldsFourTimesItsRate(t *testing.T) {
	const span, period = time.Second, 100 * time.Millisecond
	dice := rand.New(rand.NewPCG(5, 6))
	for _, falling := range []bool{true, false} {
		e := newExtreme(span, period, false)
		var all []extremeSample
		for i := range 300 {
			at := time.Duration(i) * period / 4
			v := float64(1000 - i) // each kept until it is old
			if !falling {
				v = dice.Float64()
			}
			e.add(at, v)
			all = append(all, extremeSample{at, v})
			want := math.Inf(-1)
			for _, s := range all {
				if at-s.at < span {
					want = max(want, s.v)
				}
			}
			if got := e.value(); got != want {
				t.Fatalf("at %v (falling %v): %v, want %v", at, falling, got, want)
			}
		}
	}
}

// The window takes what lies within its bound, the bound included on both
// sides, and counts what lies beyond as missing.
func TestWindowAtItsBound(t *testing.T) {
	const bound = largestMicro / microUnits
	for _, v := range []float64{bound, -bound, math.Nextafter(bound, 2*bound) * 1.001, -bound * 1.001, math.Inf(1), math.NaN()} {
		w := newWindow(time.Second, 100*time.Millisecond)
		w.add(0, v, true)
		if want := math.Abs(v) <= bound; (w.valid == 1) != want || w.n != 1 {
			t.Errorf("%v: %d valid of %d, want it taken: %v", v, w.valid, w.n, want)
		}
	}
}

// One cell is a pack, and so are four hundred.
func TestCountOfCells(t *testing.T) {
	for cells, want := range map[int]bool{0: false, 1: true, 400: true, 401: false} {
		c := whole()
		c.Cells = cells
		if err := c.check(rules.PackMeanCell); (err == nil) != want {
			t.Errorf("%d cells: %v", cells, err)
		}
	}
}

// A window that never took a sample is not full, however late it is.
func TestEmptyWindowIsNotFull(t *testing.T) {
	w := newWindow(time.Second, 100*time.Millisecond)
	if w.full(time.Hour) {
		t.Error("an empty window counts as full")
	}
}

// A sway of which just half is missing still counts; less does not.
func TestSwayWithHalfMissing(t *testing.T) {
	r := newRig(t, whole(), rules.Sway)
	s, ok := r.calcs[0].(*sway)
	if !ok {
		t.Fatalf("%T", r.calcs[0])
	}
	half := 0
	for k := range 200 {
		at := time.Duration(k) * 250 * time.Millisecond
		r.put(at, rules.North, 0)
		if k%2 == 0 || k > 120 && k%8 != 1 { // every other, then fewer
			r.miss(at, rules.East, rules.Sentinel)
			continue
		}
		r.put(at, rules.East, 1)
		if !s.window.full(at) {
			continue
		}
		want := rules.Good
		if 2*s.window.valid < s.window.n {
			want = rules.Doubtful
		} else if 2*s.window.valid == s.window.n {
			half++
		}
		if got := r.last[rules.Sway].Quality; got != want {
			t.Fatalf("%d of %d samples: %v, want %v", s.window.valid, s.window.n, got, want)
		}
	}
	if half == 0 {
		t.Error("never just half")
	}
}

// A climb that is older than the height may have grown since, by the surplus
// of thrust: h 2 m, v 1 m/s of 100 ms ago, A 9.80665 m/s², no reaction.
// v₀ = 1 + 0.980665; top = 2 + v₀²/2g = 2.2 m (computed by hand from the formula).
func TestApexOfAnOlderClimb(t *testing.T) {
	cfg := whole()
	cfg.Reaction, cfg.MaxAcceleration = 0, 2*Gravity
	r := newRig(t, cfg, rules.Apex)
	r.put(ms(100), rules.ClimbGlobal, 1)
	r.put(ms(200), rules.HeightGlobal, 2)
	if got := r.last[rules.Apex]; got.Quality != rules.Good || math.Abs(got.Value-2.20001) > 1e-4 {
		t.Errorf("apex %+v, want 2.2 m", got)
	}
}

// A window holds four times its rate, and so does an extreme, with four places to
// spare; of what comes faster the oldest leaves early. A speed of whole µm/s has
// itself as its mean, or a limit at just that speed would be left or not by chance.
func TestRoomAndGrainOfAWindow(t *testing.T) {
	const span, period = 3 * time.Second, 250 * time.Millisecond
	w, e := newWindow(span, period), newExtreme(span, period, false)
	for k := range 200 {
		w.add(time.Duration(k)*10*time.Millisecond, float64(k), true)
		e.add(time.Duration(k)*10*time.Millisecond, float64(-k))
	}
	if w.n != 52 || e.n != 52 || w.mean() != 173.5 { // of 148 to 199
		t.Errorf("%d in the window and %d in the extreme, want 52 and 52; mean %v, want 173.5", w.n, e.n, w.mean())
	}
	w = newWindow(span, period)
	for k := range 12 {
		w.add(time.Duration(k)*period, 10.3, true)
	}
	if got := w.mean(); got != 10.3 {
		t.Errorf("mean of 10.3 alone: %v", got)
	}
}
