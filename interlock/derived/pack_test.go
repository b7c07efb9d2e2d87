package derived

import (
	"math"
	"testing"
	"time"

	"downhaul/rules"
)

// load tells voltage and current in one message, current first as the link does.
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

func TestPackToFloor(t *testing.T) {
	r := newRig(t, whole(), rules.PackToFloor) // floor 10.2 V
	at := time.Duration(0)
	volts := func() float64 { return 11.5 - 0.01*seconds(at) }
	for at < ms(19500) {
		r.put(at, rules.SupplyVoltage, volts())
		r.wantMissing(t, rules.PackToFloor, rules.NotFilled)
		at += ms(500)
	}
	for at < 100*time.Second {
		r.put(at, rules.SupplyVoltage, volts())
		r.wantGood(t, rules.PackToFloor, 130-seconds(at), 1e-6)
		at += ms(500)
	}
	for range 80 {
		r.put(at, rules.SupplyVoltage, 10.5)
		at += ms(500)
	}
	r.wantMissing(t, rules.PackToFloor, rules.NotIdentified)
	r.put(at, rules.SupplyVoltage, 10.2)
	r.wantGood(t, rules.PackToFloor, 0, 0)
	r.miss(at+ms(500), rules.SupplyVoltage, rules.Implausible)
	r.wantMissing(t, rules.PackToFloor, rules.InputMissing)
}

// Noise that a real monitor shows must be averaged out.
func TestPackToFloorSmooths(t *testing.T) {
	r := newRig(t, whole(), rules.PackToFloor)
	for k := range 200 {
		at := time.Duration(k) * ms(500)
		r.put(at, rules.SupplyVoltage, 11.5-0.005*seconds(at)+0.02*math.Sin(float64(k)*2.4))
		if k >= 60 {
			want := (11.5-10.2)/0.005 - seconds(at)
			if got := r.last[rules.PackToFloor]; got.Quality != rules.Good || math.Abs(got.Value-want) > 0.15*want {
				t.Fatalf("sample %d: expected about %v s, got %+v", k, want, got)
			}
		}
	}
}
