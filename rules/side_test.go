package rules

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestSideAtEveryEdge(t *testing.T) {
	above := Rule{Form: Above, Limit: 1800, HasCaution: true, Caution: 1400, Deadband: 36}
	below := Rule{Form: Below, Limit: 3.5, HasCaution: true, Caution: 4, Deadband: 0.25}
	outside := Rule{Form: Outside, Limit: -10, LimitHigh: 20, HasCaution: true, Caution: -8, CautionHigh: 18, Deadband: 1}
	bare := Rule{Form: Above, Limit: 5, Deadband: 1}
	falling := Rule{Form: FallingFaster, Limit: 2, HasCaution: true, Caution: 1, Deadband: 0.5}
	rising := Rule{Form: RisingFaster, Limit: 2, Deadband: 0.5}
	is := Rule{Form: Is, Limit: 1}
	isNot := Rule{Form: IsNot, Limit: 4}
	for _, c := range []struct {
		r        *Rule
		v        float64
		want     Side
		headroom float64
	}{
		{&above, 1400, Inside, 400}, {&above, 1401, InCaution, 399}, {&above, 1764, InCaution, 36},
		{&above, 1765, InDeadband, 35}, {&above, 1800, InDeadband, 0}, {&above, math.Nextafter(1800, 2000), Beyond, -math.Nextafter(1800, 2000) + 1800},
		{&above, math.Inf(1), Beyond, math.Inf(-1)}, {&above, math.Inf(-1), Inside, math.Inf(1)},
		{&below, 4, Inside, 0.5}, {&below, 3.875, InCaution, 0.375}, {&below, 3.75, InCaution, 0.25},
		{&below, 3.625, InDeadband, 0.125}, {&below, 3.5, InDeadband, 0}, {&below, 3.4375, Beyond, -0.0625},
		{&outside, 5, Inside, 15}, {&outside, 18, Inside, 2}, {&outside, 18.5, InCaution, 1.5}, {&outside, 19.5, InDeadband, 0.5},
		{&outside, 20, InDeadband, 0}, {&outside, 21, Beyond, -1}, {&outside, -8, Inside, 2}, {&outside, -8.5, InCaution, 1.5},
		{&outside, -9.5, InDeadband, 0.5}, {&outside, -10, InDeadband, 0}, {&outside, -11, Beyond, -1},
		{&bare, 4, Inside, 1}, {&bare, 4.5, InDeadband, 0.5}, {&bare, 5, InDeadband, 0}, {&bare, 6, Beyond, -1},
		{&falling, -2.5, Beyond, -0.5}, {&falling, -2, InDeadband, 0}, {&falling, -1.25, InCaution, 0.75}, {&falling, -1, Inside, 1}, {&falling, 9, Inside, 11},
		{&rising, 2.5, Beyond, -0.5}, {&rising, 1.5, Inside, 0.5}, {&rising, 1.75, InDeadband, 0.25}, {&rising, -9, Inside, 11},
		{&is, 1, Beyond, -1}, {&is, 0, Inside, 1}, {&isNot, 4, Inside, 1}, {&isNot, 3, Beyond, -1},
	} {
		if got := c.r.Side(c.v); got != c.want {
			t.Errorf("form %d at %v is %v, want %v", c.r.Form, c.v, got, c.want)
		}
		if got := c.r.Headroom(c.v); got != c.headroom {
			t.Errorf("form %d at %v has headroom %v, want %v", c.r.Form, c.v, got, c.headroom)
		}
	}
}

// A value at the caution itself is not in caution, however wide the deadband may be:
// from 2.9 to 0.7 it is 2.2 wide, and 2.2 from 0.7 is a little past 2.9 in binary.
func TestAtTheCautionItselfIsInside(t *testing.T) {
	for limit := 0.1; limit < 10; limit += 0.1 {
		for caution := 0.1; caution < 10; caution += 0.1 {
			high := Rule{Form: Above, Limit: limit, HasCaution: true, Caution: caution}
			low := Rule{Form: Below, Limit: limit, HasCaution: true, Caution: caution}
			both := Rule{Form: Outside, Limit: limit, LimitHigh: 99, HasCaution: true, Caution: caution, CautionHigh: 50}
			for _, r := range []Rule{high, low, both} {
				if !r.Encloses(r.Caution, r.CautionHigh) {
					continue
				}
				r.Deadband, _ = r.DeadbandRoom()
				low, high := r.Band()
				if got := r.Side(caution); got != Inside || caution < low || caution > high {
					t.Errorf("form %d, limit %v, caution %v, deadband %v: at the caution %v, band %v to %v", r.Form, limit, caution, r.Deadband, got, low, high)
				}
			}
		}
	}
}

// A missing value that slips through must never look safe.
func TestPromise03_NotANumberIsBeyond(t *testing.T) {
	for form := Form(0); form <= IsNot+1; form++ {
		r := Rule{Form: form, Limit: 1, LimitHigh: 2, Deadband: 0.1, HasCaution: true, Caution: 1.2, CautionHigh: 1.8}
		if got := r.Side(math.NaN()); got != Beyond {
			t.Errorf("form %d takes a NaN for %v", form, got)
		}
		if got := r.Headroom(math.NaN()); !math.IsInf(got, -1) {
			t.Errorf("form %d gives a NaN the headroom %v", form, got)
		}
		p := Permissive{Form: form, Limit: 1, LimitHigh: 2}
		if p.Holds(math.NaN()) {
			t.Errorf("form %d lets a NaN start", form)
		}
	}
}

func TestPermissiveHolds(t *testing.T) {
	for _, c := range []struct {
		form      Form
		low, high float64
		v         float64
		want      bool
	}{
		{Below, 6.7, 0, 6.7, true}, {Below, 6.7, 0, 6.8, false}, {Below, 6.7, 0, 1, true},
		{Above, 0.5, 0, 0.5, true}, {Above, 0.5, 0, 0.4, false}, {Above, 0.5, 0, 9, true},
		{Outside, 1, 2, 1.5, false}, {Outside, 1, 2, 1, true}, {Outside, 1, 2, 2, true}, {Outside, 1, 2, 3, true},
		{Is, 1, 0, 1, true}, {Is, 1, 0, 0, false}, {IsNot, 1, 0, 0, true}, {IsNot, 1, 0, 1, false},
		{RisingFaster, 1, 0, 0, false}, {0, 0, 0, 0, false},
	} {
		p := Permissive{Form: c.form, Limit: c.low, LimitHigh: c.high}
		if got := p.Holds(c.v); got != c.want {
			t.Errorf("form %d (%v, %v) at %v holds: %v", c.form, c.low, c.high, c.v, got)
		}
	}
}

// randomRule is a rule as the reader gives them.
func randomRule(t *rapid.T) Rule {
	f := rapid.Float64Range(-1e3, 1e3)
	r := Rule{Form: Form(rapid.IntRange(int(Above), int(FallingFaster)).Draw(t, "form")), Limit: f.Draw(t, "limit")}
	room := rapid.Float64Range(0.001, 100).Draw(t, "room")
	r.LimitHigh = r.Limit + 4*room
	r.HasCaution = rapid.Bool().Draw(t, "caution")
	r.Caution, r.CautionHigh = r.Limit-room, r.LimitHigh-room
	if r.Form == Below || r.Form == Outside {
		r.Caution = r.Limit + room
	}
	r.Deadband = rapid.Float64Range(0, room).Draw(t, "deadband")
	return r
}

// Going towards the limit, a value never looks safer, and headroom shrinks.
func TestSideIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := randomRule(t)
		a := r.Limit + rapid.Float64Range(-300, 300).Draw(t, "a")
		b := a + rapid.Float64Range(0, 300).Draw(t, "step")
		toLimit := r.Form == Above || r.Form == RisingFaster
		if r.Form == Outside {
			middle := (r.Limit + r.LimitHigh) / 2
			if a < middle && b > middle {
				return
			}
			toLimit = a >= middle
		}
		if !toLimit {
			a, b = b, a
		}
		if r.Side(b) < r.Side(a) || r.Headroom(b) > r.Headroom(a) {
			t.Fatalf("%+v: %v is %v with %v left, %v is %v with %v left", r, a, r.Side(a), r.Headroom(a), b, r.Side(b), r.Headroom(b))
		}
	})
}

// Inside and within the band are the same statement, at its very ends too. Of rates and
// of what must not be one value there is no band.
func TestBandIsWhatIsInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := randomRule(t)
		r.Form = rapid.SampledFrom([]Form{Above, Below, Outside, IsNot}).Draw(t, "form of a value")
		low, high := r.Band()
		for _, end := range []float64{low, high, r.Limit, r.LimitHigh, r.Caution, r.Limit + rapid.Float64Range(-300, 300).Draw(t, "v")} {
			for _, v := range []float64{math.Nextafter(end, math.Inf(-1)), end, math.Nextafter(end, math.Inf(1))} {
				if (r.Side(v) == Inside) != (low <= v && v <= high) {
					t.Fatalf("%+v: %v is %v, and the band %v to %v", r, v, r.Side(v), low, high)
				}
			}
		}
	})
	for _, form := range []Form{RisingFaster, FallingFaster, Is, 0} {
		if low, high := (&Rule{Form: form, Limit: 1}).Band(); low <= high {
			t.Errorf("form %d has a band from %v to %v", form, low, high)
		}
	}
}

// Beyond and negative headroom are the same statement.
func TestHeadroomAgreesWithSide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := randomRule(t)
		v := r.Limit + rapid.Float64Range(-300, 300).Draw(t, "v")
		if (r.Side(v) == Beyond) != (r.Headroom(v) < 0) {
			t.Fatalf("%+v: %v is %v with headroom %v", r, v, r.Side(v), r.Headroom(v))
		}
	})
}

func TestSideAllocatesNothing(t *testing.T) {
	r := Rule{Form: Outside, Limit: 1, LimitHigh: 2, Deadband: 0.1}
	p := Permissive{Form: Below, Limit: 1}
	if n := testing.AllocsPerRun(100, func() { _ = r.Side(1.5); _ = r.Headroom(1.5); _ = p.Holds(1) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSide(b *testing.B) {
	r := Rule{Form: Above, Limit: 1800, HasCaution: true, Caution: 1400, Deadband: 36}
	v := 1000.0
	for b.Loop() {
		if r.Side(v) == Beyond {
			v = 0
		}
		v++
	}
}
