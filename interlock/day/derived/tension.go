package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// tensionSpan is the span over which the slope of the tension is fitted. At 80
// conversions a second it holds 4 or 5: short against a snatch load's rise (a
// quarter of the bounce of 25 kg on 9 m of cord is some 0.2 s), long enough to
// halve the converter's noise. Common practice, no source.
const tensionSpan = 50 * time.Millisecond

// tensionPair is how far apart two samples may be and still give a slope, for a
// converter that is slower than the span.
const tensionPair = 250 * time.Millisecond

// tensionRate is the change of the tether tension in N/s: the least-squares
// slope over the samples of the last 50 ms, or the slope between the last two
// when the converter is slower than that. A missing sample starts it anew, and so
// does a doubtful one: a slope across a fault is none.
type tensionRate struct {
	untimed
	line line
	// The newest sample, for the slope between two.
	any  bool
	at   time.Duration
	last float64
}

func newTensionRate() *tensionRate { return &tensionRate{line: newLine(tensionSpan, 64)} }

func (r *tensionRate) Trigger() rules.ChannelID { return rules.Tension }
func (r *tensionRate) Output() rules.ChannelID  { return rules.TensionRate }

func (r *tensionRate) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.Tension]
	if in.Quality == rules.Missing {
		r.line.clear()
		r.any, r.at, r.last = false, 0, 0
		return missing(because(in)), true
	}
	r.line.add(at, in.Value)
	slope, _, ok := r.line.fit()
	if gap := at - r.at; !ok && r.any && gap > 0 && gap <= tensionPair {
		slope, ok = (in.Value-r.last)/seconds(gap), true
	}
	r.any, r.at, r.last = true, at, in.Value
	if in.Quality == rules.Doubtful {
		r.line.clear()
		r.any, r.at, r.last = false, 0, 0
	}
	if !ok {
		return missing(rules.NotFilled), true
	}
	return publish(slope, in), true
}

func (r *tensionRate) Clone() limits.Calculator {
	c := *r
	c.line = r.line.clone()
	return &c
}
