package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// rotorWind carries wind.speed from the anemometer's height to the rotors'.
//
// Log law V(z) = V(zr)·ln(z/z0)/ln(zr/z0); power law V(z) = V(zr)·(z/zr)^α.
// Both are textbook profiles of a neutral surface layer over even ground, the
// z0 classes those of Davenport (WMO registry, SurfaceRoughnessDavenport).
// Assumptions: steady mean wind, no buildings or trees near, no thermals: it is
// the mean that is carried up, gusts grow less.
type rotorWind struct {
	untimed
	factor float64
}

func newRotorWind(c Config) *rotorWind {
	return &rotorWind{factor: heightFactor(c)}
}

// heightFactor is V(rotor)/V(anemometer).
func heightFactor(c Config) float64 {
	if c.Method == PowerLaw {
		return Exp(float64(c.Exponent * Ln(c.RotorHeight/c.AnemometerHeight)))
	}
	return Ln(c.RotorHeight/c.Roughness) / Ln(c.AnemometerHeight/c.Roughness)
}

func (w *rotorWind) Trigger() rules.ChannelID { return rules.WindSpeed }
func (w *rotorWind) Output() rules.ChannelID  { return rules.RotorWind }

func (w *rotorWind) Sample(_ time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.WindSpeed]
	return publish(float64(in.Value*w.factor), in), true
}

func (w *rotorWind) Clone() limits.Calculator { c := *w; return &c }
