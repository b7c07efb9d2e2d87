package lift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/standtable"
	"downhaul/rules/card"
)

// standRun makes the table of one motor of a modelled craft, on a supply that rests at
// rest V behind ohms: lever is the factor of its wrong calibration, noise the spread of a
// row as a share.
func standRun(t *testing.T, c craftmodel.Config, rest, ohms, lever, noise, doubt float64, rng *rand.Rand) *standtable.Table {
	t.Helper()
	craft, err := craftmodel.New(c)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# doubt = %g %%\n# diameter = %g m\n# air = %g °C, %g m\noutput (%%),thrust (N),voltage (V),current (A)\n", 100*doubt, c.Diameter, c.Celsius, c.Elevation)
	n := float64(c.Motors)
	for u := 0.25; u < 1.01; u += 0.125 {
		volts := rest
		var amps float64
		for range 60 {
			amps = craft.TruePower(craft.TrueThrust(u, volts)) / n / volts
			volts = (volts + rest - ohms*amps) / 2
		}
		fmt.Fprintf(&b, "%g,%g,%g,%g\n", 100*u, craft.TrueThrust(u, volts)/n*lever*(1+noise*rng.NormFloat64()), volts, amps*(1+noise*rng.NormFloat64()))
	}
	table, faults := standtable.Read("t.csv", []byte(b.String()))
	if table == nil {
		t.Fatal(faults)
	}
	return table
}

// Made-up crafts of the model: the stand's table of one motor, with a lever that is off
// and rows that scatter, and a craft that loses to wakes and guards what its card states.
// The 95 % interval of the sum holds what the craft lifts, and the sum on paper does not.
func TestSumHoldsWhatTheCraftLifts(t *testing.T) {
	crafts := 60
	if testing.Short() {
		crafts = 15
	}
	var held, below, enough, wrong int
	var width, paper float64
	for seed := range uint64(crafts) {
		c, _, _ := vary(seed + 1)
		rng := rand.New(rand.NewPCG(seed, 9))
		within := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
		const doubt = 0.04
		table := standRun(t, c, within(48, 60), within(0.005, 0.03), 1+doubt/1.96*rng.NormFloat64(), 0.005, doubt, rng)
		loss := within(0.02, 0.10)
		ballast := within(0, 25)
		file := fmt.Sprintf("version = 1\ntitle = \"x\"\nair = \"%g °C, %g m\"\n[craft]\nname = \"x\"\nmass = \"%g kg\"\n[motors]\ncount = %d\nguard = \"2 %% to 10 %%\"\n[[step]]\nname = \"a\"\nkind = \"flight\"\nballast = \"%g kg\"\n",
			c.Celsius, c.Elevation, c.Mass, c.Motors, ballast)
		crd, faults := card.Read("card.toml", []byte(file))
		if crd == nil {
			t.Fatal(faults)
		}
		ohms := c.CellResistance * float64(c.Cells) / float64(c.Packs)
		s, err := lift.SumOf(lift.SumQuestion{Table: table, Card: crd, Cells: c.Cells, Packs: c.Packs, Charge: 0.8, CellVolts: craftmodel.RestingCell(0.8),
			Ohms: ohms * (1 + 0.2/1.96*rng.NormFloat64()), OhmsUnsure: 0.2, OhmsFrom: "the test"})
		if err != nil {
			t.Fatal(err)
		}
		// What it lifts: full output on packs at that charge, some of the slow sag there.
		craft, err := craftmodel.New(c)
		if err != nil {
			t.Fatal(err)
		}
		source, all := float64(c.Cells)*craftmodel.RestingCell(0.8), ohms+within(0, 1)*c.SlowResistance*float64(c.Cells)/float64(c.Packs)
		volts := source
		for range 200 {
			volts = (volts + source - all*craft.TruePower(craft.TrueThrust(1, volts))/volts) / 2
		}
		real := craft.TrueThrust(1, volts) * (1 - loss)
		if real >= s.Lift.Low && real <= s.Lift.High {
			held++
		}
		if real < s.Lift.Low {
			below++
		}
		width += (s.Lift.High - s.Lift.Low) / 2 / real / float64(crafts)
		paper += s.PaperLift / real / float64(crafts)
		if s.Steps[0].Enough {
			enough++
			if real/((c.Mass+ballast)*lift.Gravity) < s.Steps[0].Needed {
				wrong++
			}
		}
	}
	t.Logf("%d crafts: %d held, %d lift less than the low end; half width %.1f %%; the sum on paper tells %.2f times what they lift; %d steps enough, %d of them wrongly", crafts, held, below, 100*width, paper, enough, wrong)
	if held < crafts-crafts/20 || below > 1+crafts/40 || wrong > 0 || enough == 0 {
		t.Errorf("%d of %d held, %d below, %d steps enough, %d of them wrongly", held, crafts, below, enough, wrong)
	}
}

// The overlap factors (worked from the formula; from memory, no
// published example): κ at d/D 0.5, 0.75 and 1.
func TestOverlap(t *testing.T) {
	pair := func(apart float64) *lift.Sum { return overlapping(t, apart) }
	for _, c := range []struct{ apart, kappa, harris float64 }{{0.25, 1.2838, 1.2557}, {0.5, 1.1620, 1.1339}, {0.75, 1.0598, 1.0486}, {1, 1, 1}, {1.4, 1, 1}} {
		s := pair(c.apart)
		mid := (2 - math.Pow(c.kappa, -2.0/3) - math.Pow(c.harris, -2.0/3)) / 2
		for _, l := range s.Lines {
			if l.What == "less overlap" && (math.Abs(l.Mid-mid) > 0.1*mid+1e-9 || mid > 0 && !(l.Low < mid && l.High > mid)) {
				t.Errorf("apart %.2f: %+v, want about %.4f", c.apart, l.Estimate, mid)
			}
		}
	}
}

// overlapping is the sum of a craft whose motors stand in two pairs, each apart by that
// share of the diameter.
func overlapping(t *testing.T, apart float64) *lift.Sum {
	t.Helper()
	c, _, _ := vary(1)
	table := standRun(t, c, 54, 0.02, 1, 0, 0, rand.New(rand.NewPCG(1, 1)))
	file := "version = 1\ntitle = \"x\"\n[craft]\nname = \"x\"\nmass = \"20 kg\"\n[motors]\ncount = 4\n"
	for i, at := range []float64{10, 10 + apart*c.Diameter, -10, -10 - apart*c.Diameter} {
		file += fmt.Sprintf("[[motor]]\nnumber = %d\nahead = \"%.12f m\"\nright = \"%d m\"\nspin = \"cw\"\n", i+1, at, i/2)
	}
	file += "[[step]]\nname = \"a\"\nkind = \"flight\"\nballast = \"0 kg\"\n"
	crd, faults := card.Read("card.toml", []byte(file))
	if crd == nil {
		t.Fatal(faults)
	}
	s, err := lift.SumOf(lift.SumQuestion{Table: table, Card: crd, Cells: 14, Packs: 1, Charge: 1, CellVolts: 4.2, Ohms: 0.03, OhmsUnsure: 0.1, OhmsFrom: "the test"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}
