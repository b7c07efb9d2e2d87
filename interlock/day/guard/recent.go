package guard

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
)

// Bounds of what is remembered for showing; the log holds everything.
const (
	mostTrips = 16
	mostActs  = 8
)

// recent is what the loop remembers of the past, so that status and page can
// show it: the trips of this episode in their order, the first-out first
// (ISA-18.1: the first to come is told apart, later ones follow), and what was
// done at the buttons. The loop's own; it is copied as a value.
type recent struct {
	trips     [mostTrips]interlock.Effect
	tripCount int // in all; those beyond the room are counted only
	acts      [mostActs]interlock.Effect
	actCount  int
}

func (r *recent) take(f *interlock.Effect) {
	switch f.Kind {
	case interlock.TripEffect:
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
	case interlock.ConsequenceEffect:
		if r.tripCount < mostTrips {
			r.trips[r.tripCount] = *f
		}
		r.tripCount++
	case interlock.NoteEffect:
		switch {
		case f.Reason == interlock.ReasonReset:
			r.tripCount = 0
			r.act(f)
		case f.On && isButton(f.Line):
			r.act(f)
		}
	case interlock.StateEffect:
		switch f.Reason {
		case interlock.ReasonStart, interlock.ReasonEnd, interlock.ReasonHold, interlock.ReasonGate:
			r.act(f)
		}
	}
}

func isButton(l interlock.Line) bool {
	return l == interlock.Reset || l == interlock.Start || l == interlock.End
}

func (r *recent) act(f *interlock.Effect) {
	r.acts[r.actCount%mostActs] = *f
	r.actCount++
}

// list gives the acts, oldest first.
func (r *recent) list() []answers.ActStatus {
	out := []answers.ActStatus{}
	for i := max(0, r.actCount-mostActs); i < r.actCount; i++ {
		f := &r.acts[i%mostActs]
		line := f.Line
		what := f.Reason.String()
		switch f.Reason {
		case interlock.ReasonStart:
			line = interlock.Start
		case interlock.ReasonEnd:
			line = interlock.End
		case interlock.ReasonHold:
			line = interlock.Hold
		case interlock.ReasonGate:
			line = interlock.Gate
		case interlock.ReasonEStop:
			line = interlock.EStopA
		case interlock.ReasonReset:
			what = "reset taken"
		case interlock.ReasonSilenced:
		default:
			what = line.String() + " not taken: " + what
		}
		out = append(out, answers.ActStatus{At: seconds(f.At), What: what, By: "input line " + line.String()})
	}
	return out
}

// said is what somebody told the guard over its local socket.
type said struct {
	at   time.Duration
	what string
	by   string
}
