package lift

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// named has the runs flown in a configuration.
func named(runs []Run, name string) []Run {
	for i := range runs {
		runs[i].Configuration = name
	}
	return runs
}

// Old and new net on made-up crafts, each with an installed factor from 0.75 to 1, and a
// table whose lever is off: the interval of the change holds the true one in 95 of 100,
// and the forecast rests on the flights of the newest configuration alone.
func TestTheChangeOfAConfigurationIsMeasured(t *testing.T) {
	days := 40
	if testing.Short() {
		days = 8
	}
	for _, n := range []int{2, 3} {
		held, width, told := 0, 0.0, 0
		for seed := range uint64(days) {
			rng := rand.New(rand.NewPCG(seed, 77))
			within := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
			bare := newPaper()
			bare.coefficient *= within(0.9, 1.3)
			bare.noise = within(0.001, 0.004)
			old, now := within(0.75, 1), within(0.75, 1)
			stand := bare.tableOf(t, 1+0.05/twoSigma*rng.NormFloat64(), 0.005, 0.05, rng)
			masses := []float64{54, 60, 66}[:n]
			a, b := named(bare.wornIn(old).day(masses...), "old net"), named(bare.wornIn(now).day(masses...), "new net")
			q := Question{Craft: bare.craft(), Floor: 40, HoverTime: 60, Stand: stand, Configuration: "new net", Next: []Step{{Name: "next", Mass: 68, Ballast: 18}}}
			_, changes := apart(append(a, b...), q)
			if len(changes) != 1 || changes[0].Refused != "" {
				t.Fatalf("day %d: %+v", seed, changes)
			}
			c := &changes[0]
			real := now/old - 1
			if real >= c.Share.Low && real <= c.Share.High {
				held++
			}
			if width += (c.Share.High - c.Share.Low) / 2; c.Share.High < 0 || c.Share.Low > 0 {
				told++
				if c.Share.Mid*real < 0 {
					t.Errorf("day %d: told %+v, and it is %.3f", seed, c.Share, real)
				}
			}
			if seed > 0 {
				continue
			}
			if f, alone := Ask(append(a, b...), q), Ask(b, q); len(f.Points) != len(alone.Points) || f.Next[0].Reserve != alone.Next[0].Reserve {
				t.Errorf("day %d: the old net's flights change the new net's forecast", seed)
			}
		}
		t.Logf("%d hovers of each: %d of %d held, half width %.1f %%, told as loss or gain %d", n, held, days, 100*width/float64(days), told)
		if held < days*19/20-1 || told == 0 {
			t.Errorf("%d hovers of each: %d of %d held, %d told", n, held, days, told)
		}
	}
}

// Without a table, or with too few hovers, nothing is told of the change, and why.
func TestAChangeThatIsNotKnown(t *testing.T) {
	craft := newPaper()
	runs := append(named(craft.day(60, 66), "old net"), named([]Run{craft.fly(flight{mass: 60, seconds: 60, seed: 9})}, "")...)
	q := Question{Craft: craft.craft(), Floor: 40, HoverTime: 60, Next: []Step{{Name: "next", Mass: 68}}}
	if f := Ask(runs, q); len(f.Changes) != 1 || !strings.Contains(f.Changes[0].Says(), `configuration without a name against "old net": what it changes is not known: give the stand's table`) {
		t.Errorf("%+v", f.Changes)
	}
	q.Stand = craft.tableOf(t, 1, 0.005, 0.05, rand.New(rand.NewPCG(1, 1)))
	if f := Ask(runs, q); len(f.Changes) != 1 || !strings.Contains(f.Changes[0].Refused, "there are 1 and 3") {
		t.Errorf("%+v", f.Changes)
	}
	if f := Ask(named(craft.day(60, 66), ""), q); len(f.Changes) != 0 {
		t.Errorf("%+v", f.Changes)
	}
	c := Change{From: "old net", To: "new net", Hovers: [2]int{2, 3}, Share: Estimate{Low: -0.08, Mid: -0.06, High: -0.04}}
	if says := c.Says(); !strings.Contains(says, "a measured loss of 6 % (4 to 8 %)") || math.Signbit(c.Share.High) != true {
		t.Error(says)
	}
}
