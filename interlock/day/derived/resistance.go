package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	// stepAmps is the least step of current that says anything of resistance:
	// below it the voltage's own resolution and the pack's recovery lead. stepShare
	// is the same as a share of the largest current so far: a smaller step is the
	// noise of the current, and noise makes the resistance look too small.
	stepAmps, stepShare = 1.0, 0.05
	// quickSpan is how far apart two readings may be and still tell quick from slow:
	// readings 10 s apart told 7.6 mΩ where 5.5 were true (computed).
	quickSpan = 2500 * time.Millisecond
	// closeSpan is what is always close enough, whatever came before.
	closeSpan = 500 * time.Millisecond
	// forget is what each new step leaves of the weight of the older ones:
	// 50 steps, so that a pack that warms up is followed.
	forget = 0.98
	// enoughSteps and enoughWeight (A²) are what identifies a resistance: five
	// steps, and in sum as much as five steps of 2 A.
	enoughSteps  = 5
	enoughWeight = 20.0
	// stuckAfter identical readings above stuckAmps are a current that sticks:
	// a real one of that size flickers in its last digit.
	stuckAfter = 20
	stuckAmps  = 1.0
	// reversed is a current into the pack that no craft in the air makes; it is
	// a field that rolled over or a sensor wired the wrong way round.
	reversed = -1.0
)

// resistance is that of the pack and its wiring, from steps of the load: for two
// consecutive readings of voltage and current, R = −ΔU/ΔI (IEC 61960, the d.c.
// method: two loads one right after the other), over many steps by least squares
// through the origin with exponential forgetting: R = −Σ ΔI·ΔU / Σ ΔI².
//
// Assumptions: a step is quick against the slow recovery of the cells; voltage
// and current belong together. So only pairs of one message count: the current
// must have come at the same instant as the voltage, which is the trigger. And
// only readings as close as this link gives them, 2.5 s at most: what recovered in
// between reads as resistance, so further apart it would be too high; where they
// come more seldom it is missing, and the cause says so.
//
// Until five steps, each over 1 A and 5 % of the largest current, are in it there
// is no resistance. A current that
// sticks, is reversed or is already doubtful feeds no fit, nor do the readings
// next to it, and makes the resistance told with it doubtful.
type resistance struct {
	untimed
	voltage, current rules.ChannelID
	span             time.Duration // between two readings of a step, at most

	ii, iu float64 // Σ ΔI² and Σ ΔI·ΔU, forgetting
	steps  int     // up to enoughSteps

	paired      bool          // the last reading was a pair fit for a step
	at, gap     time.Duration // of the last pair, and from the one before, up to just past the span
	volts, amps float64
	most        float64 // the largest current so far
	same        int     // identical currents so far, up to stuckAfter
	sameAmps    float64
}

func (r *resistance) Trigger() rules.ChannelID { return r.voltage }
func (r *resistance) Output() rules.ChannelID  { return rules.PackResistance }

func (r *resistance) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	volts, amps := t[r.voltage], fresh(t, r.current, at)
	if volts.Quality == rules.Missing || amps.Quality == rules.Missing {
		r.unpair()
		r.same, r.sameAmps = 0, 0
		return publish(0, volts, amps), true
	}
	if amps.At != at {
		// A voltage alone: nothing to learn from, and no sample of the current.
		r.unpair()
		return r.result(rules.NoCause, volts, amps), true
	}
	if amps.Value == r.sameAmps {
		r.same = min(r.same+1, stuckAfter)
	} else {
		r.same, r.sameAmps = 1, amps.Value
	}
	doubtful := rules.NoCause
	switch {
	case amps.Quality == rules.Doubtful:
		doubtful = amps.Cause
	case r.same >= stuckAfter && math.Abs(amps.Value) > stuckAmps:
		doubtful = rules.Frozen
	case amps.Value < reversed:
		doubtful = rules.OutOfRange
	}
	if doubtful != rules.NoCause || amps.Quality == rules.Doubtful || volts.Quality == rules.Doubtful {
		r.unpair()
	} else {
		r.step(at, volts.Value, amps.Value)
	}
	return r.result(doubtful, volts, amps), true
}

// result is the resistance as far as it is identified, with the quality of what
// came last.
func (r *resistance) result(doubtful rules.Cause, volts, amps limits.Reading) limits.Result {
	ohms := r.ohms()
	switch enough := r.steps >= enoughSteps && r.ii >= enoughWeight; {
	case !enough && r.gap > r.span:
		return missing(rules.TooSlow)
	case !enough || ohms == 0:
		return missing(rules.NotIdentified)
	}
	out := publish(ohms, volts, amps)
	if doubtful != rules.NoCause {
		out = doubt(out, doubtful)
	}
	return out
}

// ohms returns what the steps so far tell, however few; 0 where they tell nothing.
func (r *resistance) ohms() float64 {
	if !(r.iu < 0) {
		return 0
	}
	return -r.iu / r.ii
}

func (r *resistance) unpair() { r.paired, r.at, r.volts, r.amps = false, 0, 0, 0 }

// step takes a good pair.
func (r *resistance) step(at time.Duration, volts, amps float64) {
	r.most = math.Max(r.most, amps)
	if r.paired {
		gap, usual := min(at-r.at, r.span+1), r.gap
		r.gap = gap
		du, di := volts-r.volts, amps-r.amps
		near := gap <= r.span && (usual == 0 || gap <= max(closeSpan, usual+usual/2))
		if near && math.Abs(di) > math.Max(stepAmps, float64(stepShare*r.most)) {
			r.ii = float64(forget*r.ii) + float64(di*di)
			r.iu = float64(forget*r.iu) + float64(di*du)
			r.steps = min(r.steps+1, enoughSteps)
		}
	}
	r.paired, r.at, r.volts, r.amps = true, at, volts, amps
}

func (r *resistance) Clone() limits.Calculator { c := *r; return &c }
