package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// meanCell is the pack voltage over the declared count of cells in series. It
// says nothing of the weakest cell: a pack can hold its mean while one cell is
// already harmed.
type meanCell struct {
	untimed
	source rules.ChannelID
	cells  float64
}

func (m meanCell) Trigger() rules.ChannelID { return m.source }
func (m meanCell) Output() rules.ChannelID  { return rules.PackMeanCell }

func (m meanCell) Sample(_ time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[m.source]
	return publish(in.Value/m.cells, in), true
}

func (m meanCell) Clone() limits.Calculator { return m }

// resting is the pack voltage with the sag taken out: U + I·R (Ohm's law, an
// ideal source behind one resistance). Assumption: the slow part of the sag,
// which comes back over minutes, is not in R, so the pack rests a little higher
// than this.
//
// The trigger is pack.resistance, which comes with every voltage.
type resting struct {
	untimed
	voltage, current rules.ChannelID
}

func (r resting) Trigger() rules.ChannelID { return rules.PackResistance }
func (r resting) Output() rules.ChannelID  { return rules.PackResting }

func (r resting) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	ohms := t[rules.PackResistance]
	volts, amps := fresh(t, r.voltage, at), fresh(t, r.current, at)
	return publish(volts.Value+float64(amps.Value*ohms.Value), ohms, volts, amps), true
}

func (r resting) Clone() limits.Calculator { return r }

// floorSpan is the span over which the fall of the pack voltage is fitted: long
// enough that a gust's worth of current is averaged out, short enough to follow
// the end of a discharge. Common practice, no source.
const floorSpan = 20 * time.Second

// toFloor is the time until the loaded pack voltage reaches the floor, if it
// goes on falling as over the last 20 s (least squares). 0 at or below the
// floor; missing while it does not fall, or falls so slowly that the floor is
// further off than the channel's range. Assumption: the load stays what it was;
// near the end of a discharge the voltage falls ever faster, so the true time
// is shorter.
type toFloor struct {
	untimed
	source rules.ChannelID
	floor  float64 // V
	line   line
}

func newToFloor(c Config) *toFloor {
	return &toFloor{source: c.PackVoltage, floor: c.PackFloor, line: newLine(floorSpan, 256)}
}

func (f *toFloor) Trigger() rules.ChannelID { return f.source }
func (f *toFloor) Output() rules.ChannelID  { return rules.PackToFloor }

func (f *toFloor) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[f.source]
	if in.Quality == rules.Missing {
		return missing(because(in)), true
	}
	f.line.add(at, in.Value)
	if in.Value <= f.floor {
		return publish(0, in), true
	}
	// A period short of the span is full: the first sample stands for one.
	if f.line.covers() < floorSpan-f.source.Channel().Period {
		return missing(rules.NotFilled), true
	}
	slope, value, ok := f.line.fit()
	// The lower of the fitted and the told voltage: the floor is a warning.
	left := (math.Min(value, in.Value) - f.floor) / -slope
	if !ok || !(slope < 0) || left > rules.PackToFloor.Channel().High {
		return missing(rules.NotIdentified), true
	}
	return publish(math.Max(0, left), in), true
}

func (f *toFloor) Clone() limits.Calculator {
	c := *f
	c.line = f.line.clone()
	return &c
}
