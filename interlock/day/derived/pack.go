package derived

import (
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
