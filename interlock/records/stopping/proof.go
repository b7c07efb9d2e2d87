package stopping

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"downhaul/rules"
)

// The order of the stop test; ours. Each opening shows that the next, harder one
// may be tried.
const (
	lowMost  = 0.35 // the first opening's output at most
	halfMost = 0.65 // the second's, which is above the first's
	fullRuns = 3    // openings at what the next step needs
)

// Proof is what the openings on record prove of one stop.
type Proof struct {
	// Low and Half say that those openings were made, in their order; Full are the
	// highest outputs of those that came behind them, as many as a step needs.
	Low, Half bool
	Full      []float64
	// Worst is the longest that the rotors ever took to stand, with what a reading
	// by hand gets on top; 0 is not known.
	Worst time.Duration
	// Loaded is how often this contactor opened under load.
	Loaded int
	Worn   Worn
	Packs  []PackWorn // each over all crafts that it was in
	// Waits is the number of the last opening where nobody knows how long the
	// rotors took, and no reading came; 0 is none. Last is the last opening, At what
	// was seen of it.
	Waits, Last int
	At          Ended
	// Ended are those that no other makes needless.
	Ended []Ended
}

// Worn counts what wears: the starts of a craft with the time that they lasted and
// the time at full output, and the openings of a contactor. Each counts with the
// opening that ends it, so what a power cut broke off is not in it.
type Worn struct {
	Starts     int
	Live, Full time.Duration
	Openings   int
}

// PackWorn is what one pack wore, by its name; Model is that of its openings.
type PackWorn struct {
	Name  string
	Model bool
	Worn
}

// add counts one opening.
func (w *Worn) add(r *Record) {
	w.Starts, w.Openings = w.Starts+1, w.Openings+1
	w.Live, w.Full = w.Live+seconds(r.LiveS), w.Full+seconds(r.FullS)
}

// Ended is one opening of which is known how long the rotors took. Output below 0 is
// not known.
type Ended struct {
	Output           float64
	Standing, Thrust time.Duration
	Traced           bool
}

// covers reports whether e, from no less output and no shorter, makes o needless.
func (e *Ended) covers(o *Ended) bool {
	longer := e.Standing >= o.Standing
	if o.Traced {
		longer = e.Thrust >= o.Thrust
	}
	return longer && e.Traced == o.Traced && (e.Output < 0 || o.Output >= 0 && e.Output >= o.Output)
}

func (p *Proof) end(e Ended) {
	p.Worst = max(p.Worst, e.Standing)
	if !slices.ContainsFunc(p.Ended, func(o Ended) bool { return o.covers(&e) }) {
		p.Ended = append(slices.DeleteFunc(p.Ended, func(o Ended) bool { return e.covers(&o) }), e)
	}
}

// take counts an opening of which is known how long the rotors took.
func (p *Proof) take(output float64) {
	switch {
	case output < 0:
	case !p.Low:
		p.Low = output <= lowMost
	case !p.Half:
		p.Half = output > lowMost && output <= halfMost
	default:
		p.Full = append(p.Full, output)
		slices.SortFunc(p.Full, func(a, b float64) int { return cmp.Compare(b, a) })
		p.Full = p.Full[:min(len(p.Full), fullRuns)]
	}
}

// UpTo is the highest output for which the stop counts as measured; 0 is none.
func (p *Proof) UpTo() float64 {
	if len(p.Full) < fullRuns {
		return 0
	}
	return p.Full[fullRuns-1]
}

// Times are the two times for a step that needs that output, over what is stated
// and with the delay at full thrust that the pad gives.
func (p *Proof) Times(output float64, stated rules.RotorsStanding, delay time.Duration) Times {
	worst := rules.WithMargin(p.Worst)
	if !(output > 0) || p.UpTo() < output {
		rotors := rules.Stated(stated.Standing, worst)
		return Times{rotors, rotors.Evenly(delay)}
	}
	t := Times{Rotors: rules.RotorsStanding{Standing: worst, Measured: true}, Thrust: rules.ThrustGone{Measured: true, Traced: true}}
	for _, e := range p.Ended {
		if e.Output >= 0 && e.Output < output {
			continue // less thrust than the step has
		}
		gone := rules.WithMargin(e.Thrust)
		if !e.Traced {
			gone = rules.RotorsStanding{Standing: rules.WithMargin(e.Standing)}.Evenly(delay).Gone
			t.Thrust.Traced = false
		}
		t.Thrust.Gone = max(t.Thrust.Gone, gone)
	}
	return t
}

// Next returns what the stop test still wants for that output; empty is nothing.
func (p *Proof) Next(output float64) string {
	share := func(v float64) string { return rules.Format(v, "%") }
	enough := 0
	for _, u := range p.Full {
		if u >= output {
			enough++
		}
	}
	switch {
	case p.Waits > 0:
		return fmt.Sprintf("how long the rotors took at opening %d is not known: declare stop with what was read, or make the opening again", p.Waits)
	case !p.Low:
		return "first an opening at " + share(lowMost) + " of output or less"
	case !p.Half:
		return fmt.Sprintf("then an opening at more than %s and at most %s", share(lowMost), share(halfMost))
	case enough < fullRuns:
		return fmt.Sprintf("openings at %s or more: %d of %d", share(output), enough, fullRuns)
	}
	return ""
}

func seconds(s float64) time.Duration { return time.Duration(s*float64(time.Second) + 0.5) }
