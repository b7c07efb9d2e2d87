package interlock

import "time"

// Broke is told of a panic of a calculator.
func (f *fromLimits) Broke(at time.Duration, p any) {
	if f.panicked != nil {
		f.panicked(p)
	}
	(*Engine)(f).broke(at)
}

// broke acts on a panic of what reads links and sensors, or derives from them: a fault,
// and no reset in this session. A guard that only watches has no fault to enter: there
// it is a trip on record.
func (e *Engine) broke(at time.Duration) {
	e.dirty = true
	if e.site.Duty == Watch {
		e.builtinTrip(at, EventSelfTest, ReasonBroken)
		return
	}
	e.failed(at, EventSelfTest, ReasonBroken)
}

// WhenBroken has f told, in the very call, what a calculator panicked with.
func (e *Engine) WhenBroken(f func(p any)) { e.panicked = f }

func (e *Engine) broken() bool { return e.limits.Broken() }
