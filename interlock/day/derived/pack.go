package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// meanCell is the pack voltage over the declared count of cells in series. It
// says nothing of the weakest cell: a pack can hold its mean while one cell is
// already harmed.
func (c Config) meanCell(_ time.Duration, t *limits.Table) limits.Result {
	in := t[c.PackVoltage]
	return publish(in.Value/float64(c.Cells), in)
}

// resting is the pack voltage with the sag taken out: U + I·R (Ohm's law, an
// ideal source behind one resistance). Assumption: the slow part of the sag,
// which comes back over minutes, is not in R, so the pack rests a little higher
// than this.
//
// The trigger is pack.resistance, which comes with every voltage.
func (c Config) resting(at time.Duration, t *limits.Table) limits.Result {
	ohms := t[rules.PackResistance]
	volts, amps := fresh(t, c.PackVoltage, at), fresh(t, c.PackCurrent, at)
	return publish(volts.Value+float64(amps.Value*ohms.Value), ohms, volts, amps)
}
