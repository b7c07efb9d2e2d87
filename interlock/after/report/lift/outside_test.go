package lift_test

import (
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/after/report/lift"
)

// A hover that takes more, or less, than the flights with less ballast had foreseen is told;
// one inside is not, nor one that a second run at that load confirms.
func TestHoverOutsideItsForecast(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var runs []lift.Run
	for i, b := range []float64{0, 4, 8, 12} {
		cfg := eight(uint64(40+i), b)
		cfg.Events = hoverPlan(false)
		r, _ := fly(t, cfg, 46)
		r.Name, r.Step = "run "+string(rune('1'+i)), "ballast"
		runs = append(runs, r)
	}
	q := lift.Question{Craft: craftOf(eight(1, 0)), Next: []lift.Step{{Name: "the next", Mass: runs[3].Mass + 5}}}
	// by returns the last run with that share more of output.
	by := func(name string, share float64) lift.Run {
		r := runs[3]
		r.Name, r.Outputs = name, slices.Clone(r.Outputs)
		for i := range r.Outputs {
			r.Outputs[i].V = slices.Clone(r.Outputs[i].V)
			for j := range r.Outputs[i].V {
				r.Outputs[i].V[j] *= share
			}
		}
		return r
	}
	for _, row := range []struct {
		name  string
		runs  []lift.Run
		wants bool
	}{
		{"as foreseen", runs, false},
		{"a fifth more", append(slices.Clone(runs[:3]), by("run 4", 1.2)), true},
		{"a fifth less", append(slices.Clone(runs[:3]), by("run 4", 0.8)), true},
		{"a fifth more, twice", append(slices.Clone(runs[:3]), by("run 4", 1.2), by("run 5", 1.21)), false},
		{"a fifth more, then as foreseen", append(slices.Clone(runs[:3]), by("run 4", 1.2), by("run 5", 1)), false},
		{"one load alone", runs[3:], false},
	} {
		f := lift.Ask(row.runs, q)
		why, settle := f.Outside(row.runs, q)
		if (why != "") != row.wants || row.wants && (!strings.Contains(why, "the hover of ballast took ") || !strings.Contains(settle, "fly ballast again")) {
			t.Errorf("%s: %q, %q", row.name, why, settle)
		}
	}
}
