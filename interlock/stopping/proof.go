package stopping

import (
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
	// outputs of those that came behind them.
	Low, Half bool
	Full      []float64
	// Worst is the longest that the rotors ever took to stand, with what a reading
	// by hand gets on top; 0 is not known.
	Worst time.Duration
	// Loaded is how often this contactor opened under load.
	Loaded int
	Worn   Worn
	// Waits is the number of the last opening where nobody knows how long the
	// rotors took, and no reading came; 0 is none. Last is the last opening.
	Waits, Last int

	ended []ended
}

// Worn counts what wears: the starts of a craft with the time that they lasted and
// the time at full output, and the openings of a contactor. Each counts with the
// opening that ends it, so what a power cut broke off is not in it.
type Worn struct {
	Starts     int
	Live, Full time.Duration
	Openings   int
}

// ended is one opening of which is known how long the rotors took.
type ended struct {
	output           float64
	standing, thrust time.Duration
	traced           bool
}

// Judge says what records prove of that stop; oldest first.
func Judge(records []*Record, of Of) *Proof {
	p := new(Proof)
	for i, r := range records {
		if r.Kind != Opening {
			continue
		}
		if r.Of.Craft == of.Craft && r.Of.Model == of.Model {
			p.Worn.Starts++
			p.Worn.Live += seconds(r.LiveS)
			p.Worn.Full += seconds(r.FullS)
		}
		if r.Of.Contactor == of.Contactor && r.Of.Model == of.Model {
			p.Worn.Openings++
			if r.Loaded {
				p.Loaded++
			}
		}
		if r.Of != of {
			continue
		}
		p.Last, p.Waits = r.Number, 0
		if r.Mirror == "closed" {
			// No stop at all: begin anew, behind what mended it.
			p.Low, p.Half, p.Full = false, false, nil
			continue
		}
		e, known := end(r, records[i+1:])
		if !known {
			p.Waits = r.Number
			continue
		}
		p.ended = append(p.ended, e)
		p.Worst = max(p.Worst, e.standing)
		p.take(e.output)
	}
	return p
}

// end is how an opening ended, by trace or by reading, whichever is longer.
func end(r *Record, later []*Record) (e ended, known bool) {
	e.output = r.Output
	if r.Traced {
		e.traced, known = true, true
		e.standing, e.thrust = seconds(r.StandingS), seconds(r.ThrustS)
	}
	for _, l := range later {
		if l.Kind != Reading || l.Opening != r.Number {
			continue
		}
		known = true
		if read := seconds(l.ReadS) + ReadError; read > e.standing {
			e.standing, e.traced = read, false
		}
	}
	return e, known
}

func (p *Proof) take(output float64) {
	switch {
	case output < 0:
	case !p.Low:
		p.Low = output <= lowMost
	case !p.Half:
		p.Half = output > lowMost && output <= halfMost
	default:
		p.Full = append(p.Full, output)
	}
}

// UpTo is the highest output for which the stop counts as measured; 0 is none.
func (p *Proof) UpTo() float64 {
	if len(p.Full) < fullRuns {
		return 0
	}
	sorted := slices.Clone(p.Full)
	slices.Sort(sorted)
	return sorted[len(sorted)-fullRuns]
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
	for _, e := range p.ended {
		if e.output >= 0 && e.output < output {
			continue // less thrust than the step has
		}
		gone := rules.WithMargin(e.thrust)
		if !e.traced {
			gone = rules.RotorsStanding{Standing: rules.WithMargin(e.standing)}.Evenly(delay).Gone
			t.Thrust.Traced = false
		}
		t.Thrust.Gone = max(t.Thrust.Gone, gone)
	}
	return t
}

// Next says what the stop test still wants for that output; empty is nothing.
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
