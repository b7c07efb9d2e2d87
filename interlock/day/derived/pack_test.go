package derived

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// load sends voltage and current in one message, current first as the link does.
func load(r *rig, at time.Duration, volts, amps float64) {
	r.put(at, rules.SupplyCurrent, amps)
	r.put(at, rules.SupplyVoltage, volts)
}

// IEC 61960, the d.c. method: R = (U1 − U2)/(I2 − I1). A 5 Ah cell, 0.2C then
// 1C: 1 A at 3.950 V, 5 A at 3.870 V: 20.0 mΩ (worked from the formula; no
// published numbers were found).
func TestPackResistanceTwoStep(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance, rules.PackResting)
	at := time.Duration(0)
	for range 3 {
		load(r, at, 3.950, 1)
		if at == 0 {
			r.wantMissing(t, rules.PackResistance, rules.NotIdentified)
			r.wantMissing(t, rules.PackResting, rules.NotIdentified)
		}
		load(r, at+ms(500), 3.870, 5)
		at += ms(1000)
	}
	r.wantGood(t, rules.PackResistance, 0.020, 1e-12)
	r.wantGood(t, rules.PackResting, 3.970, 1e-12)
}

func TestPackResistanceNeedsSteps(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	for k := range 500 {
		load(r, time.Duration(k)*ms(500), 11-0.01*float64(k%10), 10+0.1*float64(k%10))
	}
	r.wantMissing(t, rules.PackResistance, rules.NotIdentified) // no step over 1 A
}

func identified(t *testing.T) (*rig, time.Duration) {
	t.Helper()
	r := newRig(t, whole(), rules.PackResistance, rules.PackResting)
	at := time.Duration(0)
	for k := range 40 {
		amps := 5 + 10*float64(k%2)
		load(r, at, 12-0.04*amps, amps)
		at += ms(500)
	}
	r.wantGood(t, rules.PackResistance, 0.04, 1e-12)
	r.wantGood(t, rules.PackResting, 12, 1e-12)
	return r, at
}

func TestPackResistanceFollowsAWarmingPack(t *testing.T) {
	r, at := identified(t)
	for k := range 400 {
		amps := 5 + 10*float64(k%2)
		load(r, at, 12-0.03*amps, amps)
		at += ms(500)
	}
	r.wantGood(t, rules.PackResistance, 0.03, 1e-4)
}

func TestPackResistanceDistrustsTheCurrent(t *testing.T) {
	// Stuck: the twentieth identical reading over 1 A is doubtful.
	r, at := identified(t)
	for k := range 20 {
		load(r, at, 11, 15.5)
		at += ms(500)
		if k < 19 {
			r.wantGood(t, rules.PackResistance, r.last[rules.PackResistance].Value, 0)
		}
	}
	r.wantDoubtful(t, rules.PackResistance, rules.Frozen)
	r.wantDoubtful(t, rules.PackResting, rules.Frozen)
	// Stuck at idle is what a current does at idle.
	r, at = identified(t)
	for range 40 {
		load(r, at, 12, 0.4)
		at += ms(500)
	}
	if r.last[rules.PackResistance].Quality != rules.Good {
		t.Fatal("an idle current that stays the same was taken for a stuck one")
	}
	// A flipped sign feeds no fit, nor does the reading after it.
	r, at = identified(t)
	before := r.last[rules.PackResistance].Value
	load(r, at, 11.4, -15)
	r.wantDoubtful(t, rules.PackResistance, rules.OutOfRange)
	load(r, at+ms(500), 11.8, 5)
	r.wantGood(t, rules.PackResistance, before, 0)
	// Neither does a doubtful one, nor a voltage without its current.
	r.doubtful(at+ms(1000), rules.SupplyCurrent, 300, rules.Saturated)
	r.put(at+ms(1000), rules.SupplyVoltage, 3)
	r.wantDoubtful(t, rules.PackResistance, rules.Saturated)
	load(r, at+ms(1500), 11.8, 5)
	r.put(at+ms(1900), rules.SupplyVoltage, 2)
	r.wantGood(t, rules.PackResistance, before, 0)
	load(r, at+ms(2000), 3, 100)
	r.wantGood(t, rules.PackResistance, before, 0)
	r.put(at+ms(3001), rules.SupplyVoltage, 11)
	r.wantMissing(t, rules.PackResistance, rules.InputMissing) // the current is older than 1 s
}

func TestPackResistanceNeedsFiveSteps(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	for k := range 6 { // five steps of 50 A
		amps := 50 * float64(k%2)
		load(r, time.Duration(k)*ms(500), 12-0.04*amps, amps)
		if k < 5 {
			r.wantMissing(t, rules.PackResistance, rules.NotIdentified)
		}
	}
	r.wantGood(t, rules.PackResistance, 0.04, 1e-12)
}

func TestPackResistanceDistrustsTheVoltage(t *testing.T) {
	r, at := identified(t)
	before := r.last[rules.PackResistance].Value
	r.put(at, rules.SupplyCurrent, 5)
	r.doubtful(at, rules.SupplyVoltage, 3, rules.OutOfRange)
	r.wantDoubtful(t, rules.PackResistance, rules.OutOfRange)
	load(r, at+ms(500), 11.4, 15) // the reading after it makes no step either
	r.wantGood(t, rules.PackResistance, before, 0)
	r.put(at+ms(1000), rules.SupplyCurrent, 5)
	r.miss(at+ms(1000), rules.SupplyVoltage, rules.Sentinel)
	r.wantMissing(t, rules.PackResistance, rules.InputMissing)
	load(r, at+ms(1500), 3, 30)
	r.wantGood(t, rules.PackResistance, before, 0)
}

func TestPackResistanceIsNeverNegative(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	for k := range 40 {
		amps := 5 + 10*float64(k%2)
		load(r, time.Duration(k)*ms(500), 12+0.04*amps, amps)
	}
	r.wantMissing(t, rules.PackResistance, rules.NotIdentified)
}

func TestPackMeanCell(t *testing.T) {
	r := newRig(t, whole(), rules.PackMeanCell)
	r.put(0, rules.SupplyVoltage, 11.1)
	r.wantGood(t, rules.PackMeanCell, 3.7, 1e-15)
	r.miss(1, rules.SupplyVoltage, rules.Sentinel)
	r.wantMissing(t, rules.PackMeanCell, rules.InputMissing)
}

// At 200 A whose readings scatter by 1 % a step of 1 A is noise: with such steps in
// it 18 mΩ read as 0.2.
func TestPackResistanceBesideANoisyCurrent(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	chance := rand.New(rand.NewPCG(1, 2))
	for k := range 2000 {
		amps := 200 * math.Max(0, 1-0.3*float64(k/20%2)) // a hover that changes every 10 s
		load(r, time.Duration(k)*ms(500), 50-0.018*amps, amps*(1+0.01*chance.NormFloat64()))
	}
	r.wantGood(t, rules.PackResistance, 0.018, 0.0018)
}

// Readings 10 s apart cannot tell quick from slow: with 18 mΩ at once and as much
// again over 20 s they would read a third too much. Readings as close as the link
// gives them do not, nor does one over a gap among them; and too slow a link says so.
func TestPackResistanceIsQuick(t *testing.T) {
	read := func(every time.Duration, lost int) limits.Result {
		r := newRig(t, whole(), rules.PackResistance, rules.PackResting)
		slow := 0.0
		for k := range 4000 {
			at := time.Duration(k) * ms(100)
			amps := 40 + 30*float64(k/73%2) + 0.01*float64(k%3) // its last digit flickers
			slow += (0.018*amps - slow) * 0.1 / 20
			if n := int(at / every); at%every == 0 && (lost == 0 || n%lost > lost/2) {
				load(r, at, 50-0.018*amps-slow, amps)
			}
		}
		if r.last[rules.PackResting].Cause != r.last[rules.PackResistance].Cause {
			t.Errorf("every %v: resting %+v", every, r.last[rules.PackResting])
		}
		return r.last[rules.PackResistance]
	}
	for _, c := range []struct {
		every time.Duration
		lost  int
	}{{ms(100), 0}, {ms(500), 0}, {ms(1600), 0}, {ms(100), 40}} {
		if got := read(c.every, c.lost); got.Quality != rules.Good || math.Abs(got.Value-0.018) > 0.0015 {
			t.Errorf("every %v, %d lost: %+v", c.every, c.lost/2, got)
		}
	}
	for _, every := range []time.Duration{ms(3200), 10 * time.Second} {
		if got := read(every, 0); got != (limits.Result{Cause: rules.TooSlow}) {
			t.Errorf("every %v: %+v (%v)", every, got, got.Cause)
		}
	}
}

// A voltage alone leaves nothing to step from, in the first seconds as well: neither a
// load that was nought, nor a time between two readings that was none.
func TestPackResistanceBehindAVoltageAlone(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	x := r.calcs[0].(*resistance)
	load(r, ms(100), 12, 5)
	r.put(ms(200), rules.SupplyVoltage, 12)
	if load(r, ms(300), 11, 30); x.steps != 0 || x.gap != 0 {
		t.Errorf("%d steps, the last readings %v apart", x.steps, x.gap)
	}
	if load(r, ms(400), 12, 5); x.steps != 1 || x.gap != ms(100) {
		t.Errorf("then %d steps, the last readings %v apart", x.steps, x.gap)
	}
}

// Two readings make a step half a second apart, whatever came before, and otherwise
// half as far again as the two before them, up to 2.5 s.
func TestPackResistanceOfReadingsFarApart(t *testing.T) {
	for _, c := range []struct {
		usual, gap time.Duration
		steps      bool
	}{
		{ms(100), ms(500), true}, {ms(100), ms(500) + 1, false}, {ms(1000), ms(1500), true}, {ms(1000), ms(1500) + 1, false}, {ms(2000), quickSpan, true}, {ms(2000), quickSpan + 1, false},
	} {
		r := newRig(t, whole(), rules.PackResistance)
		load(r, 0, 12, 5)
		load(r, c.usual, 12, 5)
		if load(r, c.usual+c.gap, 11, 30); (r.calcs[0].(*resistance).steps == 1) != c.steps {
			t.Errorf("%v after two readings %v apart: a step %v", c.gap, c.usual, !c.steps)
		}
	}
}
