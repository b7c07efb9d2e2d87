package report

// liftRuns is what the lift section is worked out from.
type liftRuns struct{}

func (k *collector) watchLift(*reading) {}
