package lift

import (
	"math"

	"downhaul/rules/card"
)

// overlapDoubt is how far the loss by overlap may be off, as a share of it, to either
// side: the formulas are from memory, and rotors one above the other lose more. Ours.
const overlapDoubt = 0.5

// overlapPower is the induced power of two rotors that overlap, over that of both apart,
// for their spacing over the diameter: κ = 1 + (√2−1)·m', m' = (2/π)·(θ − (d/D)·sin θ),
// θ = acos(d/D) (momentum theory of tandem rotors; the symbols seen in the NASA Ames
// paper of Ramasamy, 2013, the formula from memory).
func overlapPower(apart float64) float64 {
	if apart >= 1 {
		return 1
	}
	turn := math.Acos(math.Max(apart, 0))
	return 1 + (math.Sqrt2-1)*2/math.Pi*(turn-apart*math.Sin(turn))
}

// harrisPower is the same by Harris' approximation (from memory).
func harrisPower(apart float64) float64 {
	if apart >= 1 {
		return 1
	}
	return math.Sqrt2 - math.Sqrt2/2*apart + (1-math.Sqrt2/2)*apart*apart
}

// overlapLoss is the share of the thrust at one power that rotors of the diameter lose by
// standing over each other, in the mean over all: 1 − κ^(−2/3), for T goes with P^(2/3).
func overlapLoss(places []card.Place, diameter float64) (low, mid, high float64) {
	if len(places) == 0 || diameter <= 0 {
		return 0, 0, 0
	}
	loss := func(power func(float64) float64) (mean float64) {
		for i, a := range places {
			k := 1.0
			for j, b := range places {
				if i != j {
					k += power(card.Place{Ahead: a.Ahead - b.Ahead, Right: a.Right - b.Right}.Arm()/diameter) - 1
				}
			}
			mean += (1 - math.Pow(k, -2.0/3)) / float64(len(places))
		}
		return mean
	}
	one, other := loss(overlapPower), loss(harrisPower)
	return (1 - overlapDoubt) * math.Min(one, other), (one + other) / 2, (1 + overlapDoubt) * math.Max(one, other)
}
