package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// rotorWind carries wind.speed from the anemometer's height to the rotors', or the gust.
//
// Log law V(z) = V(zr)·ln(z/z0)/ln(zr/z0); power law V(z) = V(zr)·(z/zr)^α.
// Both are textbook profiles of a neutral surface layer over even ground, the
// z0 classes those of Davenport (WMO registry, SurfaceRoughnessDavenport).
// Assumptions: steady mean wind, no buildings or trees near, no thermals: it is
// the mean that is carried up. Gusts grow less with height, so a gust carried up errs
// high; carried down it would err low, so it is told as at the mast.
func (c Config) rotorWind(output rules.ChannelID) limits.Calculator {
	from, factor := rules.WindSpeed, c.HeightFactor()
	if output == rules.RotorGust {
		from, factor = rules.Gust, max(1, factor)
	}
	return plain{trigger: from, output: output, work: func(_ time.Duration, t *limits.Table) limits.Result {
		return publish(float64(t[from].Value*factor), t[from])
	}}
}

// HeightFactor returns V(rotor)/V(anemometer), of a Config that states what it takes.
func (c Config) HeightFactor() float64 {
	if c.Method == PowerLaw {
		return exp(float64(c.Exponent * ln(c.RotorHeight/c.AnemometerHeight)))
	}
	return ln(c.RotorHeight/c.Roughness) / ln(c.AnemometerHeight/c.Roughness)
}
