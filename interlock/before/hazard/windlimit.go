package hazard

import (
	"fmt"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// What cups are off by: ten-minute means and peaks of cup anemometers with distance
// constants of 1.8 to 5 m beside a sonic one, over open field data; worked out from the
// data in turn, the greatest of each.
const (
	cupsOverspeed = 0.20 // m/s too high in the mean
	cupsLag       = 0.93 // m/s too low in the highest gust of ten minutes, at 5 m
)

// windSays returns what a limit on the wind assumes of the cups and of the rotors'
// height, and to which side that errs; empty for every other limit.
func (j *job) windSays(r *rules.Rule) string {
	if !r.Watch.OfWind() || !j.fed(r.Watch) {
		return ""
	}
	text := ""
	if j.Pad.Wind.Fitted {
		text = fmt.Sprintf("Cups run on after a gust: they read up to %s too much in the mean, which is the safe side.", j.up(cupsOverspeed, rules.Speed))
		switch r.Watch {
		case rules.Mean2, rules.Mean10, rules.Lull10:
		default:
			text += fmt.Sprintf(" Heavy cups lag: with a distance constant of 5 m the highest gust read up to %s too little, which is the dangerous side, so set the limit lower by that, or fit lighter cups.", j.up(cupsLag, rules.Speed))
		}
	}
	cfg := j.Pad.Derived()
	switch {
	case r.Watch == rules.RotorWind && cfg.HeightFactor() < 1:
		text += fmt.Sprintf(" It is the mast's wind times %.2f, by the %s: gusts lessen less towards the ground, so in them it errs low; wind.rotor_gust3s is never less than at the mast.", cfg.HeightFactor(), j.profile())
	case r.Watch == rules.RotorWind || r.Watch == rules.RotorGust:
		text += fmt.Sprintf(" It is the mast's wind times %.2f, by the %s, which is that of the mean wind over even ground: a gust grows less with height, so in gusts it errs high; thermals and obstacles are not in it.", max(1, cfg.HeightFactor()), j.profile())
	case j.Pad.Fed(rules.RotorGust) == rules.NotFed:
		text += " What blows at the rotors is not known: height, rotor_height and method under [wind] would tell. Wind grows with height, so at rotors above the mast it is more than the limit."
	case cfg.HeightFactor() > 1 && r.Form == rules.Above:
		text += fmt.Sprintf(" At the rotors, %s up, this limit lets %s blow, by the %s; wind.rotor_gust3s watches the gust there.", j.show(j.Pad.Wind.RotorHeight, rules.Length), j.up(r.Limit*cfg.HeightFactor(), rules.Speed), j.profile())
	}
	return text
}

// profile names how the wind is taken to grow with height.
func (j *job) profile() string {
	if w := &j.Pad.Wind; w.Method == derived.PowerLaw {
		return fmt.Sprintf("power law with an exponent of %g", w.Exponent)
	}
	return "log law over a roughness of " + rules.Format(j.Pad.Wind.Roughness, "m")
}
