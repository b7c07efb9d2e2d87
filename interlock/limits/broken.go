package limits

import (
	"downhaul/rules"
	"time"
)

// ask has calculator i take its trigger's new reading, or its own deadline where tick
// is set. One that panics has said nothing.
func (l *Limits) ask(at time.Duration, i int, tick bool) (Result, bool) {
	if l.broken {
		return Result{}, false
	}
	defer l.caught(at)
	var out Result
	var ok bool
	if c := l.calcs[i]; tick {
		out, ok = c.Tick(at, &l.table)
	} else {
		out, ok = c.Sample(at, &l.table)
	}
	l.calcDue[i] = l.calcs[i].Due()
	return out, ok
}

// caught has a panic of a calculator be the last that is asked of any.
func (l *Limits) caught(at time.Duration) {
	if p := recover(); p != nil {
		l.Break()
		l.above.Broke(at, p)
	}
}

// Break has no calculator be asked any more: what is derived goes missing in its time.
func (l *Limits) Break() {
	l.broken = true
	for i := range l.calcDue {
		l.calcDue[i] = rules.Never
	}
}

// Broken reports whether a calculator has panicked, or Break was called.
func (l *Limits) Broken() bool { return l.broken }
