package lift

// StepOhms is the resistance from quick steps of the run's load, and how many.
func StepOhms(r Run) (ohms float64, steps int) {
	var s supply
	s.loadSteps([]Run{r}, 0)
	return s.stepOhms, s.steps
}
