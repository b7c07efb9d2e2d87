package lift

import (
	"fmt"
	"math"
)

// lifting reports whether the bin could belong to a hover.
func (b *bins) lifting(k int, c Craft) bool { return b.airborne(k) && b.bar(k, c) == "" }

// airborne reports whether the craft flew, as far as is told. Unknown height is no
// evidence of flying.
func (b *bins) airborne(k int) bool {
	disarmed := !math.IsNaN(b.armed[k]) && !isTrue(b.armed[k])
	return b.square[k] > 0 && !disarmed && !isTrue(b.landed[k]) && b.height[k] >= onGround
}

// bar is what keeps an airborne bin from being a hover, empty when nothing does.
func (b *bins) bar(k int, c Craft) string {
	switch {
	case !(b.voltage[k] > 0):
		return "no pack voltage"
	case b.height[k] < lowest*c.Width-c.RotorHeight:
		return "too low, in ground effect"
	case math.Abs(b.calmClimb[k]) > quickClimb:
		return "climbing or sinking, as the craft tells it"
	case b.tilt[k] < mostTilt:
		return "leaning"
	}
	return ""
}

// barred sums up why a run with flying in it holds no hover.
func (b *bins) barred(c Craft) string {
	seconds := map[string]float64{}
	var all float64
	for k := range b.n {
		if b.airborne(k) {
			all += binTime
			why := b.bar(k, c)
			if why == "" {
				why = "steady for less than " + fmt.Sprintf("%g s", shortestHover)
			}
			seconds[why] += binTime
		}
	}
	if all == 0 {
		return "it never flew"
	}
	worst := ""
	for why, s := range seconds {
		if s > seconds[worst] || s == seconds[worst] && why < worst {
			worst = why
		}
	}
	return fmt.Sprintf("airborne for %.0f s, and for %.0f s of it %s", all, seconds[worst], worst)
}

// tautBy is how far the square of output × voltage for each newton may lie above
// the least of all hovers, as a factor: the bend of the law makes 1.2 between
// loads of one to two.
const tautBy = 1.35

// dropTaut takes out hovers that took far more than their weight explains, where
// no load cell could say that the tether was taut.
func dropTaut(points []Point) (kept []Point, unused []string) {
	given := func(p *Point) float64 {
		w := p.Output * p.Voltage
		return w * w * p.Density / p.Thrust
	}
	least := math.Inf(1)
	for i := range points {
		if points[i].Kind != Attempt {
			least = math.Min(least, given(&points[i]))
		}
	}
	kept = []Point{}
	for _, p := range points {
		if p.Kind == Hover && p.blind && given(&p) > tautBy*least {
			unused = append(unused, fmt.Sprintf("%s: %.0f to %.0f s: far more output than the weight explains; a taut tether, with no load cell to tell?", p.Run, p.From, p.To))
			continue
		}
		kept = append(kept, p)
	}
	return kept, unused
}
