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
type rotorWind struct {
	untimed
	from, to rules.ChannelID
	factor   float64
}

func newRotorWind(c Config, output rules.ChannelID) *rotorWind {
	w := &rotorWind{from: rules.WindSpeed, to: output, factor: c.HeightFactor()}
	if output == rules.RotorGust {
		w.from, w.factor = rules.Gust, max(1, w.factor)
	}
	return w
}

// HeightFactor returns V(rotor)/V(anemometer), of a Config that states what it takes.
func (c Config) HeightFactor() float64 {
	if c.Method == PowerLaw {
		return Exp(float64(c.Exponent * Ln(c.RotorHeight/c.AnemometerHeight)))
	}
	return Ln(c.RotorHeight/c.Roughness) / Ln(c.AnemometerHeight/c.Roughness)
}

func (w *rotorWind) Trigger() rules.ChannelID { return w.from }
func (w *rotorWind) Output() rules.ChannelID  { return w.to }

func (w *rotorWind) Sample(_ time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[w.from]
	return publish(float64(in.Value*w.factor), in), true
}

func (w *rotorWind) Clone() limits.Calculator { c := *w; return &c }
