package derived

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"
)

// TestTiltLiesWithinItsBounds holds the bounds against the tilt itself: over
// some million attitudes, spread evenly and over all sizes, and at the edges.
func TestTiltLiesWithinItsBounds(t *testing.T) {
	var table Table
	check := func(roll, pitch float64) {
		table[rules.Roll] = Reading{Value: roll, Quality: rules.Good}
		table[rules.Pitch] = Reading{Value: pitch, Quality: rules.Good}
		low, high, from, ok := tilt{}.Bound(0, &table)
		if !ok {
			if math.Abs(roll) < math.Pi/2-0.001 && math.Abs(pitch) < math.Pi/2-0.001 {
				t.Fatalf("roll %v, pitch %v: no bounds", roll, pitch)
			}
			return
		}
		r, _ := tilt{}.Sample(0, &table)
		if r.Quality != rules.Good || !(r.Value >= low && r.Value <= high) {
			t.Fatalf("roll %v, pitch %v: tilt %+v is not within %v and %v", roll, pitch, r, low, high)
		}
		if late := (tilt{}).Late(from); math.Float64bits(late) != math.Float64bits(r.Value) {
			t.Fatalf("roll %v, pitch %v: tilt %v, and %v when worked out late", roll, pitch, r.Value, late)
		}
	}
	edges := []float64{0, math.Copysign(0, -1), math.SmallestNonzeroFloat64, 1e-300, 1e-160, 1e-9, 1e-8, 1e-4, 0.5, math.Pi / 8, math.Pi / 4,
		math.Nextafter(math.Pi/4, 0), math.Nextafter(math.Pi/4, 1), math.Atan(0.66), 3 * math.Pi / 8, 1.56, rightAngle,
		math.Nextafter(rightAngle, 2), math.Pi / 2, 2, 3, math.Pi}
	for _, a := range edges {
		for _, b := range edges {
			for _, s := range [][2]float64{{a, b}, {-a, b}, {a, -b}, {-a, -b}} {
				check(s[0], s[1])
			}
		}
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 1_000_000 {
		check((2*rnd.Float64()-1)*rightAngle, (2*rnd.Float64()-1)*rightAngle)
		check(math.Exp(-40*rnd.Float64())*rightAngle, -math.Exp(-40*rnd.Float64())*rightAngle)
		small := math.Exp(-20 * rnd.Float64())
		check(small, small*1e-9*rnd.Float64()) // one of them next to nothing: the bounds are tight
	}
}

func TestTiltIsBoundOnlyWhereItIsGood(t *testing.T) {
	good := Table{rules.Roll: {Quality: rules.Good, Value: 0.1}, rules.Pitch: {Quality: rules.Good, Value: 0.1}}
	if _, _, _, ok := (tilt{}).Bound(rules.Roll.Stale(), &good); !ok {
		t.Error("no bounds where roll is as old as it may be")
	}
	if _, _, _, ok := (tilt{}).Bound(rules.Roll.Stale()+1, &good); ok {
		t.Error("bounds with a stale roll")
	}
	for _, id := range []rules.ChannelID{rules.Roll, rules.Pitch} {
		for _, q := range []rules.Quality{rules.Missing, rules.Doubtful} {
			bad := good
			bad[id].Quality = q
			if _, _, _, ok := (tilt{}).Bound(time.Millisecond, &bad); ok {
				t.Errorf("bounds with %v %v", id, q)
			}
		}
	}
}

// TestNothingRestsOnABoundedOutput: a value that may be worked out later must
// not be read by another calculator.
func TestNothingRestsOnABoundedOutput(t *testing.T) {
	for _, id := range order {
		c := Config{}
		for _, in := range append(c.inputs(id), optional(id)...) {
			if in == rules.Tilt {
				t.Errorf("%v reads %v, which is bounded", id, in)
			}
		}
	}
	if _, ok := any(tilt{}).(Bounded); !ok {
		t.Error("tilt is not bounded")
	}
}
