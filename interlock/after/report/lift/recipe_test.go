package lift

import (
	"math/rand/v2"
	"strings"
	"testing"

	"downhaul/interlock/model/recipe"
)

// Flights by the recipe of the handbook, hovers of 20 s at ballast steps and one
// full-output pull of 2 s at the lightest, carry a go wherever the lift is there with
// room, and none where it is not. What may differ from craft to craft is drawn: thrust,
// power, source, resistance, masses and how many steps flew.
func TestRecipeCarriesAGo(t *testing.T) {
	var enough, went, short int
	reasons := map[string]int{}
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 13))
		within := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
		c := newPaper()
		c.coefficient *= within(0.9, 1.1)
		c.momentum *= within(0.9, 1.1)
		c.source += within(-3, 3)
		c.ohms *= within(0.7, 1.5)
		var runs []Run
		mass := within(54, 62)
		for i := range 4 + rng.IntN(3) {
			runs = append(runs, c.fly(flight{mass: mass, seconds: 21, pull: i == 0, pullSeconds: 2.2, seed: seed*100 + uint64(i), air: airOf(15, 0)}))
			mass += within(3, 6)
		}
		s := Ask(runs, Question{Craft: c.craft(), Floor: 44, Next: []Step{{Mass: mass}}}).Next[0]
		_, amps, _ := c.hover(mass*Gravity, 1.225, c.source)
		real := c.most(1.225, c.source-c.fall*amps*20)/(mass*Gravity) - 1
		if s.Verdict == Go && real < recipe.Reserve {
			t.Errorf("seed %d: go, and the true reserve is %.0f %%", seed, 100*real)
		}
		if real > recipe.Reserve+0.15 {
			if enough++; s.Verdict == Go {
				went++
			} else {
				reasons[s.Reason]++
			}
		} else if real < recipe.Reserve {
			short++
		}
	}
	t.Logf("%d crafts with lift and 15 %% of weight to spare: %d times go; %d without", enough, went, short)
	if enough < 10 || short < 3 || 10*went < 8*enough {
		t.Errorf("of %d crafts with enough lift %d go, %d have too little; why not: %v", enough, went, short, reasons)
	}
}

// A go says for how long a hover it counts, and a longer one wants flights as long.
func TestGoIsForAHover(t *testing.T) {
	c := newPaper()
	var runs []Run
	for i, m := range []float64{60, 66, 72, 78} {
		runs = append(runs, c.fly(flight{mass: m, seconds: 21, pull: i == 0, pullSeconds: 2.2, seed: uint64(i + 1), air: airOf(15, 0)}))
	}
	q := Question{Craft: c.craft(), Floor: 44, Next: []Step{{Mass: 80}}}
	if s := Ask(runs, q).Next[0]; s.Verdict != Go || !strings.Contains(s.Reason, "hover of 20 s") {
		t.Errorf("%s: %s", s.Verdict, s.Reason)
	}
	q.HoverTime = 120
	if s := Ask(runs, q).Next[0]; s.Verdict != NotYet || !strings.Contains(s.Reason, "never drawn") || !strings.Contains(s.Settle, "hover longer") {
		t.Errorf("%s: %s (%s)", s.Verdict, s.Reason, s.Settle)
	}
}
