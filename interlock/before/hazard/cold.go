package hazard

import (
	"fmt"

	"downhaul/interlock/model/air"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// colder is by how much the pad may be colder than where thrust was measured, K, as long
// as nobody tells: ours, a cool morning after an afternoon in the sun. Standard air
// stands in where neither air is told.
const colder, standardAir = 30.0, 288.15

// denser is what full thrust may be over that of the files, since thrust at one output
// goes with the air's density: at least 1, for what to fear never counts on thin air. A
// motor turns slower in denser air, so that it errs high.
func denser(c *card.Card) (by float64, says string) {
	pad, rig := card.Air{}, card.Air{}
	if c != nil {
		pad = c.Air
		if c.Motors.Rig.Measured {
			rig = c.Motors.Rig.Air
		}
	}
	const lower = "; measured higher up than the pad it would be more still: on the low side"
	switch {
	case pad.Told && rig.Told:
		if by = air.Density(pad) / air.Density(rig); by <= 1 {
			return 1, fmt.Sprintf("Full thrust counts as stated: the pad's air, %s, is no denser than the rig's.", air.Says(pad, c.Units))
		}
		return by, fmt.Sprintf("Full thrust counts as %s of what is stated, for the pad's air, %s, is denser than the rig's: on the high side, for a motor turns slower in it.", percent(by), air.Says(pad, c.Units))
	case pad.Told:
		by = (pad.Celsius + 273.15 + colder) / (pad.Celsius + 273.15)
		says = fmt.Sprintf("the card does not tell in which air it was measured (air under [motors.rig]), and at the pad it may be %.0f °C (%.0f °F) colder", colder, 1.8*colder)
	case rig.Told:
		by = (rig.Celsius + 273.15) / (rig.Celsius + 273.15 - colder)
		says = fmt.Sprintf("the card does not tell the pad's air (air), and it may be %.0f °C (%.0f °F) colder there than at the rig", colder, 1.8*colder)
	default:
		by = standardAir / (standardAir - colder)
		says = fmt.Sprintf("no card tells the air of the pad and of the rig (air, and air under [motors.rig]), and at the pad it may be %.0f °C (%.0f °F) colder", colder, 1.8*colder)
	}
	return by, fmt.Sprintf("Full thrust counts as %s of what is stated: %s%s.", percent(by), says, lower)
}

func percent(share float64) string { return rounding.Show(share, "%", 3, rounding.Up) }
