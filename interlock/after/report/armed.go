package report

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// stretch is a time in which the craft was armed; cut reports whether the record ends
// in it.
type stretch struct {
	from, to time.Duration
	cut      bool
	// Of trips that are not listed one by one: how many, and the first of them.
	trips int
	first *decision
}

// unlistedTrip takes a trip that is not listed one by one.
func (r *reading) unlistedTrip(d *decision) {
	if n := len(r.armed); n > 0 && r.armed[n-1].to == rules.Never {
		a := &r.armed[n-1]
		if a.trips++; a.first == nil {
			a.first = d
		}
	}
}

// mostStretches bounds the flights of a session that only watched; ours.
const mostStretches = 500

// seeArmed keeps the stretches in which the craft was armed: in duty watch they
// stand for the runs.
func (r *reading) seeArmed(_ *intake.Chunk, _ []interlock.Input, told []bench.Told) {
	for _, t := range told { // of that channel alone
		if t.Quality != rules.Good {
			continue
		}
		n := len(r.armed)
		open := n > 0 && r.armed[n-1].to == rules.Never
		switch on := t.Value >= 0.5; {
		case on && !open && n < mostStretches:
			r.armed = append(r.armed, stretch{from: t.At, to: rules.Never})
		case !on && open:
			r.armed[n-1].to = t.At
		}
	}
}
