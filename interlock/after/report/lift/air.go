package lift

import (
	"downhaul/interlock/model/air"
	"downhaul/rules/card"
)

// Gravity is standard gravity, m/s² (3rd General Conference on Weights and
// Measures).
const Gravity = 9.80665

// unknownDensity stands in for an air of which nothing was told. It cancels as long as
// all runs share it.
const unknownDensity = air.Sea

func density(a card.Air) float64 {
	if !a.Told {
		return unknownDensity
	}
	return air.Density(a)
}

// oneAir settles the air of the next flight and of the runs. A run whose air nobody
// told, beside others or a next flight whose air was told, takes the next flight's, and
// what it shows counts as unsure by unsureAir: a stand-in of sea level beside a true
// density would pass for a change of the craft. unsure marks those runs.
func oneAir(runs []Run, next card.Air) (card.Air, []bool) {
	for i := len(runs) - 1; i >= 0 && !next.Told; i-- {
		next = runs[i].Air
	}
	unsure := make([]bool, len(runs))
	for i := range runs {
		if next.Told && !runs[i].Air.Told {
			runs[i].Air, unsure[i] = next, true
		}
	}
	return next, unsure
}
