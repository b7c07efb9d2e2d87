package lift

import "testing"

// halfWidthOf is the half width of the most lift by so many hovers, as a share: of a
// craft on paper whose hovers scatter by noise and whose heaviest is held at a mass.
func halfWidthOf(t *testing.T, hovers int, noise, heaviest float64) float64 {
	t.Helper()
	c := newPaper()
	c.noise = noise
	lightest := heaviest / 1.35
	masses := make([]float64, hovers)
	for i := range masses {
		masses[i] = lightest + (heaviest-lightest)*float64(i)/float64(hovers-1)
	}
	// The mean over several days: one may fall out well by chance.
	var mean float64
	const days = 6
	for day := range uint64(days) {
		var runs []Run
		for i, m := range masses {
			runs = append(runs, c.fly(flight{mass: m, seconds: 30, seed: 100*day + uint64(i), air: airOf(15, 0)}))
		}
		s := ask(runs, c.craft(), heaviest).Next[0]
		if !s.Numbers {
			t.Fatal(s.Reason)
		}
		mean += (s.free.High - s.free.Low) / 2 / (1 + s.free.Mid) / days
	}
	return mean
}

// The interval is wider the further full output lies from the heaviest hover, the fewer
// the hovers are and the more they scatter.
func TestIntervalGrowsWithWhatIsNotKnown(t *testing.T) {
	plain := halfWidthOf(t, 5, 0.005, 85)
	for _, c := range []struct {
		name            string
		hovers          int
		noise, heaviest float64
		by              float64
	}{
		{"the heaviest hover at three quarters of that load", 5, 0.005, 64, 1.1},
		{"at two thirds", 5, 0.005, 57, 1.2},
		{"three hovers in place of five", 3, 0.005, 85, 1.3},
		{"three times the scatter", 5, 0.015, 85, 1.6},
	} {
		wide := halfWidthOf(t, c.hovers, c.noise, c.heaviest)
		t.Logf("%s: %.1f %%, and %.1f %% without", c.name, 100*wide, 100*plain)
		if wide < c.by*plain {
			t.Errorf("%s: a half width of %.1f %%, and of %.1f %% without", c.name, 100*wide, 100*plain)
		}
	}
}
