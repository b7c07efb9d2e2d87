package limits

import (
	"slices"
	"time"

	"downhaul/rules"
)

// wakeChannel has the deadlines of a channel looked at from now on.
func (l *Limits) wakeChannel(c *channelRun, due time.Duration) {
	l.above.Wake(due)
	if !c.awake {
		c.awake = true
		l.awake = append(l.awake, c.id)
	}
}

// wait has the on-delay of a rule run until due.
func (l *Limits) wait(i int, due time.Duration) {
	run := &l.runs[i]
	run.due = due
	l.above.Wake(due)
	if !run.waiting {
		run.waiting = true
		l.waiting = append(l.waiting, int32(i))
	}
}

// Due is the next instant at which a calculator, a channel or a rule has something
// to do. What has none is no longer looked at.
func (l *Limits) Due() time.Duration {
	due := rules.Never
	for _, t := range l.calcDue {
		due = min(due, t)
	}
	awake := l.awake[:0]
	for _, id := range l.awake {
		c := &l.channels[id]
		if c.stale != rules.Never {
			c.stale = max(c.stale, c.Good+c.shortest) // what was heard meanwhile puts it off
		}
		first := min(c.stale, c.ready)
		if c.awake = first != rules.Never; c.awake {
			awake, due = append(awake, id), min(due, first)
		}
	}
	l.awake = awake
	waiting := l.waiting[:0]
	for _, i := range l.waiting {
		run := &l.runs[i]
		if run.waiting = run.due != rules.Never; run.waiting {
			waiting, due = append(waiting, i), min(due, run.due)
		}
	}
	l.waiting = waiting
	return due
}

// Fire lets act what is due: calculators, channels that turn stale or have been
// fresh for long enough, and then rules in the order of the file.
func (l *Limits) Fire(due time.Duration) {
	for i := range l.calcs {
		if l.calcDue[i] <= due {
			r, ok := l.ask(due, i, true)
			if l.calcDue[i] <= due {
				l.calcDue[i] = due + 1 // a calculator must move on
			}
			if ok {
				l.publish(due, l.calcs[i].Output(), r)
			}
		}
	}
	l.acting = l.acting[:0]
	for _, id := range l.awake {
		c := &l.channels[id]
		if c.ready <= due {
			c.ready = rules.Never
			c.Healthy = true
			l.above.Unsettled()
		}
		if c.stale <= due {
			l.channelStale(due, c)
		}
	}
	for _, i := range l.waiting {
		if l.runs[i].due <= due {
			l.acting = append(l.acting, i)
		}
	}
	slices.Sort(l.acting) // file order
	for _, i := range l.acting {
		// A rule may stand here twice; the second time nothing is left to do.
		run := &l.runs[i]
		if run.due <= due {
			l.lasted(due, int(i))
		}
		if run.goMissing {
			run.goMissing = false
			l.ruleMissing(due, int(i))
		}
	}
}

// ForgetHealth has every channel be fresh anew for long enough before a start.
func (l *Limits) ForgetHealth() {
	for _, id := range l.used {
		c := &l.channels[id]
		c.Since, c.ready, c.Healthy = rules.Never, rules.Never, false
	}
}

// reactor is a calculator that counts on the time until thrust is gone.
type reactor interface {
	React(at, reaction time.Duration)
}

// Expect has every calculator that counts on it know the time until thrust is gone.
func (l *Limits) Expect(at, reaction time.Duration) {
	for i, c := range l.calcs {
		if r, ok := c.(reactor); ok && !l.broken {
			l.react(at, i, r, reaction)
			l.above.Wake(l.calcDue[i])
		}
	}
}

func (l *Limits) react(at time.Duration, i int, r reactor, reaction time.Duration) {
	defer l.caught(at)
	r.React(at, reaction)
	l.calcDue[i] = l.calcs[i].Due()
}

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
