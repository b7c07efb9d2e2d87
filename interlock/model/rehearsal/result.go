package rehearsal

import (
	"fmt"
	"time"

	"downhaul/rules"
)

// Line is one line of a flight's timeline.
type Line struct {
	At   time.Duration
	Who  string
	Says string
}

// First is what the guard did first once a mishap had begun.
type First struct {
	At   time.Duration // after the mishap began
	What string        // "power off", "bring it down", "caution", "fault"
	Why  string
	Rule string // the rule's name; empty for a built-in interlock
}

// Truth is what truly happened to the craft, which no telemetry can know.
type Truth struct {
	Height, Tension, Arrival, Distance, Tilt float64 // greatest; m, N, m/s, m, rad
	RopeSpeed                                float64 // m/s outwards where the tether came tight
	PowerAfter                               time.Duration
}

// Point is a value of the model's truth at a time of the session.
type Point struct {
	At time.Duration
	V  float64
}

// Course is a flight's truth over time, from the start on.
type Course struct {
	Height, Pull []Point // m; N, the greatest in each courseEvery
	// Pressed is when start was pressed, Live when power came on, Off when the contactor opened behind that, Mishap
	// when the mishap began; -1 for never.
	Pressed, Live, Off, Mishap time.Duration
}

// Result is one flight.
type Result struct {
	Name, Title, Expect string
	Timeline            []Line
	Session             string
	// Live reports whether the start went through; NoStart says why it did not.
	Live    bool
	NoStart string
	// Lacks is what the pad has not, so that this cannot happen to it; it was not flown.
	Lacks string
	// Mishap reports whether anything but the flight itself happened; Acted is the first
	// act behind its beginning, nil where nothing acted, Stopped the first that took or
	// takes the power off, nil where the flight went to its end.
	Mishap         bool
	Acted, Stopped *First
	// Demanded names the rules that demanded a stop at any time.
	Demanded []string
	Lowering bool // the first stop was a controlled one
	Truth    Truth
	// Harms is what came of it, each with whether the guard had acted before.
	Harms []Harm
	// AsExpected reports whether what the scenario expects happened.
	AsExpected bool
	// Course is what a picture shows of it; nil of a trial and of a live rehearsal.
	Course *Course
}

// Harm is one thing that the limits are there to prevent.
type Harm struct {
	At   time.Duration // after power came on
	What string
	// Seen reports whether the guard had acted before it.
	Seen bool
}

// Since returns the time of the session at which something was done first.
func (c *Course) Since(f *First) time.Duration { return max(c.Mishap, c.Pressed) + f.At }

// Unseen is the first harm that came before the guard had acted, empty for none.
func (r *Result) Unseen() string {
	for _, h := range r.Harms {
		if !h.Seen {
			return h.What
		}
	}
	return ""
}

// ActedFirst returns what stopped the flight or, where nothing did, acted at all, and after
// how many seconds; "-" where nothing had to.
func (r *Result) ActedFirst() (what, after string) {
	a := r.Stopped
	if a == nil {
		a = r.Acted
	}
	switch {
	case r.NoStart != "":
		return "not flown", ""
	case a == nil && !r.Mishap:
		return "-", ""
	case a == nil:
		return "nothing", ""
	}
	if what = a.Rule; what == "" {
		what = a.Why
	} else if a.What != "power off" {
		what = map[string]string{"caution": "caution: ", "bring it down": "lowering: "}[a.What] + what
	}
	return what, fmt.Sprintf("%.2f", a.At.Seconds())
}

// Says is the change and what came of it, as a sentence without its full stop.
func (c *Change) Says() string {
	text := fmt.Sprintf("%s: milder in %d mishaps", c.What, c.Helps)
	if c.Helps == 1 {
		text = c.What + ": milder in 1 mishap"
	}
	if c.Calm {
		text += ", but it trips on a calm day"
	}
	return text
}

// Sentence returns what craft is flown.
func (s *Setup) Sentence() string {
	c := s.Craft
	if st := c.Step.Stand; st != nil {
		return fmt.Sprintf("%s, step %q: one motor with a propeller of %s, %s of thrust, %d cells.", c.Config.Name, c.Step.Name, rules.Format(st.Propeller, "mm"), s.Show(c.FullThrust, rules.Force), c.Config.Cells)
	}
	return fmt.Sprintf("%s, step %q: %s, %d motors, %s of thrust in all, %d cells, %s of tether, hover at %s.",
		c.Config.Name, c.Step.Name, s.Show(c.Config.Mass+c.Config.Ballast, rules.Mass), c.Config.Motors, s.Show(c.FullThrust, rules.Force),
		c.Config.Cells, s.Show(c.Config.TetherLength, rules.Length), s.Show(c.Hover, rules.Length))
}
