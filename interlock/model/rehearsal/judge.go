package rehearsal

import (
	"math"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// softly is the speed of a touch-down that is still a landing, m/s; ours.
const softly = 1.2

// weight is the craft's at its step, N.
func (s *Setup) weight() float64 {
	return (s.Craft.Config.Mass + s.Craft.Config.Ballast) * craftmodel.Gravity
}

// WorkingLoad is what the tether bears at work, N; 0 where the limits do not say.
func (s *Setup) WorkingLoad() float64 {
	least, _, _ := hazard.LeastLoad(&s.Checked.Envelope.Tether)
	return least
}

// judge holds a flight against the model's truth.
type judge struct {
	setup *Setup
	load  float64 // what the tether bears at work, N; 0 is not known
	last  float64 // distance from the anchor at the last look, m; below 0 before the first
	at    time.Duration
	had   [5]bool       // harms on record, in the order of look
	above []bool        // the limits on height that were passed, by rule
	free  time.Duration // since when rotors turn up although the relay was opened; 0 is not
}

func judgeOf(s *Setup) judge {
	return judge{setup: s, load: s.WorkingLoad(), last: -1, above: make([]bool, len(s.Checked.Envelope.Rules))}
}

func (j *judge) look(f *flight, now time.Duration) {
	t, s := &f.result.Truth, f.craft.Truth()
	if f.live == 0 {
		return
	}
	out := math.Hypot(s.North, s.East)
	slant := math.Hypot(out, s.Height+f.config.LegHeight)
	if c := f.result.Course; c != nil {
		c.take(now, s.Height, s.Tension)
	}
	t.Height, t.Tension = max(t.Height, s.Height), max(t.Tension, s.Tension)
	t.Distance, t.Tilt, t.Arrival = max(t.Distance, out), max(t.Tilt, s.Tilt), s.TouchdownMax
	if s.Tension > 0 && j.last >= 0 && now > j.at {
		t.RopeSpeed = max(t.RopeSpeed, (slant-j.last)/(now-j.at).Seconds())
	}
	j.last, j.at = slant, now
	if j.load > 0 && s.Tension > j.load && first(&j.had[0]) {
		j.harm(f, now, "the tether pulls more than its working load of "+j.show(j.load, rules.Force))
	}
	for i := range j.above {
		if r := &j.setup.Checked.Envelope.Rules[i]; r.Form == rules.Above && r.Stop != rules.NoStop && (r.Watch == rules.Apex || r.Watch == rules.Height) && s.Height > r.Limit && first(&j.above[i]) {
			j.harm(f, now, "the craft is above "+j.show(r.Limit, rules.Length)+", the limit of \""+r.Name+"\"")
		}
	}
	if s.TouchdownMax > softly && first(&j.had[1]) {
		j.harm(f, now, "the craft hits the ground faster than "+j.show(softly, rules.Speed))
	}
	if slant > 1.3*j.setup.Craft.Config.TetherLength+0.5 && first(&j.had[2]) {
		j.harm(f, now, "the craft is beyond the reach of its tether")
	}
	if s.Tilt > 70*math.Pi/180 && first(&j.had[3]) {
		j.harm(f, now, "the craft turns over")
	}
	// A stop that leaves the rotors at work is none.
	if r := f.result; r.Stopped != nil && !r.Lowering && s.Thrust > 0.3*j.setup.weight() {
		if j.free == 0 {
			j.free = now
		}
		t.PowerAfter = max(t.PowerAfter, now-j.free)
		if now-j.free > 1500*time.Millisecond && first(&j.had[4]) {
			j.harm(f, now, "power stays on the rotors after the stop")
		}
	}
}

// courseEvery is the spacing of a course's points.
const courseEvery = 50 * time.Millisecond

// take keeps the height, and the greatest pull since the last point.
func (c *Course) take(now time.Duration, height, pull float64) {
	if n := len(c.Pull); n > 0 && now-c.Pull[n-1].At < courseEvery {
		c.Pull[n-1].V = max(c.Pull[n-1].V, pull)
		return
	}
	c.Height, c.Pull = append(c.Height, Point{now, height}), append(c.Pull, Point{now, pull})
}

// first reports whether it is the first time, and notes that it was.
func first(had *bool) bool {
	was := *had
	*had = true
	return !was
}

func (j *judge) harm(f *flight, now time.Duration, what string) {
	h := Harm{At: now - f.live, What: what, Seen: f.result.Acted != nil || f.result.Stopped != nil}
	f.result.Harms = append(f.result.Harms, h)
	f.say(now, "truth", what+".")
}

func (j *judge) show(v float64, k rules.Kind) string { return j.setup.Show(v, k) }

// Show writes a value in the units of the limits, as coarse as a reading of it is.
func (s *Setup) Show(v float64, k rules.Kind) string {
	return rules.Reading(v, rules.DefaultUnit(k, s.Checked.Envelope.Units))
}

// Cost is what a flight cost in the model's truth, without a unit: the height from
// which a craft would have to fall to arrive as fast, over one metre; what the
// tether bore beyond its working load, as a share; and what it flew away beyond its
// reach, over ten metres. A stop that the rotors did not obey counts ten.
func (s *Setup) Cost(r *Result) float64 {
	t := &r.Truth
	cost := max(0, t.Arrival*t.Arrival-softly*softly) / (2 * craftmodel.Gravity)
	if load := s.WorkingLoad(); load > 0 {
		cost += max(0, t.Tension/load-1)
	}
	cost += max(0, t.Distance-1.3*s.Craft.Config.TetherLength) / 10
	if t.PowerAfter > 1500*time.Millisecond {
		cost += 10
	}
	return cost
}
