package guard

import (
	"downhaul/interlock"
	"downhaul/interlock/day/answers"
)

// mostTrips bounds what is remembered of an episode for showing; the log holds everything.
const mostTrips = 16

// recent is what the loop remembers of the past, so that status and page can
// show it: the trips of this episode in their order, the first-out first
// (ISA-18.1: the first to come is told apart, later ones follow), and what was
// done at the buttons. The loop's own.
type recent struct {
	trips     [mostTrips]interlock.Effect
	tripCount int // in all; those beyond the room are counted only
	acts      [answers.MostActs]interlock.Effect
	actCount  int
}

func (r *recent) take(f *interlock.Effect) {
	switch f.Kind {
	case interlock.TripEffect, interlock.ConsequenceEffect:
		if f.FirstOut {
			r.tripCount = 0
		}
		if r.tripCount < mostTrips {
			r.trips[r.tripCount] = *f
		}
		r.tripCount++
		if f.Reason == interlock.ReasonEStop {
			r.act(f)
		}
	case interlock.NoteEffect:
		button := f.Line == interlock.Reset || f.Line == interlock.Start || f.Line == interlock.End
		if f.Reason == interlock.ReasonReset {
			r.tripCount = 0
		}
		if f.Reason == interlock.ReasonReset || f.On && button {
			r.act(f)
		}
	case interlock.StateEffect:
		switch f.Reason {
		case interlock.ReasonStart, interlock.ReasonEnd, interlock.ReasonHold, interlock.ReasonGate:
			r.act(f)
		}
	}
}

func (r *recent) act(f *interlock.Effect) {
	r.acts[r.actCount%len(r.acts)] = *f
	r.actCount++
}

// copyTo appends trips and acts, oldest first.
func (r *recent) copyTo(trips, acts []interlock.Effect) (_, _ []interlock.Effect) {
	for i := max(0, r.actCount-len(r.acts)); i < r.actCount; i++ {
		acts = append(acts, r.acts[i%len(r.acts)])
	}
	return append(trips, r.trips[:min(r.tripCount, mostTrips)]...), acts
}
