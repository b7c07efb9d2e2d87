package lift

// cannotSee is what this forecast does not know, in words.
func cannotSee(runs []Run, q Question) []string {
	no := []string{
		"gusts, and the lift that control needs in them: the required reserve must hold it",
		"a motor, a propeller or a cell that will fail",
		"a mass other than the card and the declared step say",
	}
	tension, tilt, told, speed := true, true, true, true
	for i := range runs {
		tension = tension && len(runs[i].Tension.T) > 0
		tilt = tilt && len(runs[i].Tilt.T) > 0
		told = told && runs[i].Air.Told
		speed = speed && len(runs[i].Speeds) > 0
	}
	if !tension {
		no = append(no, "the tether's pull (no load cell): a taut tether would pass for weight")
	}
	if !tilt {
		no = append(no, "the tilt in the hovers, which costs lift")
	}
	if !told {
		no = append(no, "the density of the air in every flight (declare it, or write air on the card): a day 10 °C (18 °F) warmer takes 3.5 % of the lift, 300 m (1000 ft) more of elevation as much")
	}
	if !speed {
		no = append(no, "rotor speeds: thrust is told by output and voltage alone")
	}
	if q.WhatIf.HasCelsius {
		no = append(no, "what other air does to the packs: cold ones sag more, and then the lift errs high")
	}
	if q.Craft.Width <= 0 {
		no = append(no, "ground effect: the craft's width was not given")
	}
	if q.Floor <= 0 {
		no = append(no, "the pack's floor: no voltage to land at was given")
	}
	return no
}
