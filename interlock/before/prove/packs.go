package prove

import (
	"math"

	"downhaul/rules"
)

// What is worked out from how a pack behaves under load is driven by a pack that
// behaves so: an ideal source behind one resistance for the resistance and the
// resting voltage (U = E − I·R), a voltage that falls to the floor as e^−t/τ for
// the time to the floor, because that time stays the same then. Each is proved
// in a core of its own: no other limit of the pack holds still beside it.

// byLoad reports whether the channel needs such a pack.
func byLoad(id rules.ChannelID) bool {
	return id == rules.PackResistance || id == rules.PackResting
}

const loadAlone = "the pack would have to be loaded for it"

const (
	// gentle steps of the load, at power-up: six of 4 A are above what counts
	// as a step, give the core a resistance to begin with, and leave so little
	// weight that one hard step decides. 4 A times a quarter of a milliohm is
	// one step of the voltage's field.
	gentleSteps = 6
	gentleAmps  = 4.0
	gentleOhms  = 0.25e-3
	// A hard step: as far as the field goes, or as the pack bears.
	hardMost  = 180.0
	hardLeast = 20.0
	hardSag   = 0.12 // of its voltage
	// stuckAfter identical currents count as a current that sticks.
	stuckAfter = 20
)

// load is what the modelled pack carries besides its usual current.
type load struct {
	gentle int // steps to come
	kick   uint32
	left   int
	amps   float64
	sag    float64
}

// tame is a resistance that gentle steps can tell exactly.
func tame(ohms float64) float64 { return math.Max(1, math.Round(ohms/gentleOhms)) * gentleOhms }

// hard is the hard step at a resistance.
func hard(volts, ohms float64) float64 { return math.Min(hardMost, hardSag*volts/ohms) }

// turn takes the load on to the next message.
func (l *load) turn(s *scene, volts float64) {
	if l.gentle > 0 {
		l.gentle--
		l.kick = s.kick
		l.change(pick(l.amps > 1, -gentleAmps, gentleAmps), tame(s.ohms))
		return
	}
	if l.kick != s.kick {
		l.kick, l.left = s.kick, s.kicks
	}
	if l.left > 0 {
		l.left--
		l.change(pick(l.amps > 1, -l.amps, hard(volts, s.ohms)), s.ohms)
	}
}

// change is one step of the current, and what the voltage makes of it.
func (l *load) change(amps, ohms float64) {
	amps = math.Round(100*amps) / 100
	l.amps += amps
	l.sag += float64(amps * ohms)
}

// loaded is what the pack tells under its load.
func (p *plan) loaded(r *rig, s *scene, of rules.ChannelID, volts, amps float64) (float64, float64) {
	if !p.loads || of != p.cfg.PackVoltage || math.IsNaN(volts) {
		return volts, amps
	}
	l := r.load
	l.turn(s, volts)
	if s == &r.sc {
		r.load = l
	}
	return volts - l.sag, amps + l.amps
}

// resistance is the drive of the pack's resistance: one hard step of the load.
func (p *plan) resistance(d *drive) {
	volts := p.usualVolts()
	d.set = func(s *scene, x float64) {
		if s.ohms != x {
			s.ohms, s.kick, s.kicks = x, s.kick+1, 1
		}
	}
	d.step = func(x float64) float64 { return 1e-3 / hard(volts, math.Max(x, 1e-4)) }
	d.average = true
	d.settle, d.forget = 0, 12*p.period(d.moves)
}

// resting is the drive of the resting voltage: the loaded one, less what the
// usual current takes.
func (p *plan) resting(d *drive) {
	cfg := &p.cfg
	d.set = func(s *scene, x float64) {
		s.put(cfg.PackVoltage, x-float64(s.to[cfg.PackCurrent]*tame(s.ohms)))
	}
	d.step = func(x float64) float64 { return p.quantum(cfg.PackVoltage, x) }
}

// usualVolts is the pack's voltage on a calm day.
func (p *plan) usualVolts() float64 {
	return float64(max(1, p.cfg.Cells)) * usual(rules.Pack1LowestCell)
}

// byHand is where a pack's channel lies on the way to a start: near its limit
// for a resistance, so that one step gets there.
func (b bounds) byHand() float64 {
	open := math.IsInf(b.low, -1)
	switch {
	case math.IsInf(b.high, 1) && !open:
		return 1.03 * b.low
	case open && !math.IsInf(b.high, 1):
		return 0.97 * b.high
	}
	return b.low + (b.high-b.low)/2
}
