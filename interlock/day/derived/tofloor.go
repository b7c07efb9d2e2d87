package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

const (
	// floorSpan is how much must have been heard before a slope is told, and the
	// silence after which it is begun anew.
	floorSpan = time.Minute
	// floorFade is how the weight of a voltage fades, as e^−age/30 s: 86 % of a
	// slope is of the last minute.
	floorFade = 30 * time.Second
	// floorLink is how far apart two readings may be for the resistance that takes
	// the load out of a slope: what recovers in between belongs in it.
	floorLink = 15 * time.Second
	// sagSoon and sagLate are the two slow parts of the sag as multiples of the quick
	// one: 0.0467 Ω and 0.0498 Ω to 0.0745 Ω, in 33 s and in sagFade. Source: M. Chen
	// and G. A. Rincón-Mora, Accurate Electrical Battery Model, IEEE Trans. Energy
	// Conversion 21 (2006), 504–511.
	sagSoon, sagLate = 0.63, 0.67
	sagFade          = 220 * time.Second
)

// toFloor is the time until the loaded lowest cell meets the floor's share of one
// cell: the lower of two. By the resting voltage: what the load takes is put back
// (U + I·R), a line laid through that over 60 s and more, and followed to where the
// mean load takes it to the floor. By the charge: the same, with the slow sag put back
// too and the voltage turned into charge by the curve of a lithium polymer cell, in
// which a cell that is nearly empty falls as straight as one that is half full. Both
// stop short of the floor by twice the scatter of the loaded voltage.
//
// Assumptions: the load stays what it was in the last minute: a heavier one makes the
// true time shorter. The knee is a lithium polymer cell's: a cell without one, as most
// cylindrical lithium-ion, lasts longer than told, one with a later and sharper knee
// down to half as long. All cells have the pack's resistance over their count; the
// lack of the lowest one against the mean stays what it is; where no single cell is
// told it is the mean, and the true time shorter. 0 at or below the floor; a pack that
// does not fall has the channel's longest time.
type toFloor struct {
	untimed
	voltage, current rules.ChannelID
	floor, cells     float64    // V for one cell
	load             resistance // at this link's pace
	lack             float64    // of the lowest cell against the mean, V

	whole   float64 // the pack's voltage one message ago, 0 for none
	wholeAt time.Duration

	from, at   time.Duration // of the first and the last voltage in the line
	n, x, xx   float64       // Σ1, Σt, Σt², fading; times from the last voltage
	y, xy      [2]float64    // Σy, Σt·y, of the charge and of the quick resting voltage
	amps, late float64       // current, A: its mean over floorFade and over sagFade
	scatter    float64       // mean square about the line, V²
}

func newToFloor(c Config) *toFloor {
	n := float64(c.Cells)
	return &toFloor{voltage: c.PackVoltage, current: c.PackCurrent, floor: c.PackFloor / n, cells: n,
		load: resistance{voltage: c.PackVoltage, current: c.PackCurrent, span: floorLink}}
}

func (f *toFloor) Trigger() rules.ChannelID { return f.voltage }
func (f *toFloor) Output() rules.ChannelID  { return rules.PackToFloor }

func (f *toFloor) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	f.load.Sample(at, t)
	// The lowest cell comes after the voltage of its message, so it belongs to the
	// voltage before, unless the trigger is another message's.
	low, whole := t[rules.Pack1LowestCell], t[rules.Pack1Voltage]
	mean, from := f.whole, f.wholeAt
	f.whole, f.wholeAt = whole.Value, whole.At
	if low.At == whole.At {
		mean, from = f.whole, f.wholeAt
	}
	if low.Quality == rules.Good && mean > 0 && low.At == from {
		f.lack = math.Max(0, mean/f.cells-low.Value)
	}

	volts, amps := t[f.voltage], fresh(t, f.current, at)
	if volts.Quality == rules.Missing || amps.Quality == rules.Missing {
		return publish(0, volts, amps), true
	}
	cell, ohms := volts.Value/f.cells-f.lack, f.load.ohms()/f.cells
	if volts.Quality == rules.Good && amps.Quality == rules.Good {
		f.add(at, cell, ohms, amps.Value)
	}
	switch {
	case cell <= f.floor:
		return publish(0, volts, amps), true
	case f.n == 0 || at-f.from < floorSpan:
		return missing(rules.NotFilled), true
	}
	loaded := f.floor + 2*math.Sqrt(f.scatter)
	left := math.Min(f.reaches(0, chargeAt(loaded+f.sag(ohms, f.amps))), f.reaches(1, loaded+float64(ohms*f.amps)))
	return publish(left, volts, amps), true
}

// reaches returns when a line meets a value, in s: 0 if it is there already, the
// channel's longest time if it does not fall.
func (f *toFloor) reaches(k int, value float64) float64 {
	now, slope := f.line(k)
	switch most, left := rules.PackToFloor.Channel().High, now-value; {
	case left <= 0:
		return 0
	case left >= float64(most*-slope):
		return most
	default:
		return left / -slope
	}
}

// add takes a cell's voltage under load.
func (f *toFloor) add(at time.Duration, cell, ohms, amps float64) {
	age := at - f.at
	if f.n == 0 || age > floorSpan {
		f.from, age = at, 0
		f.n, f.x, f.xx, f.amps, f.late, f.scatter = 0, 0, 0, amps, amps, 0
		f.y, f.xy = [2]float64{}, [2]float64{}
	}
	f.at = at
	dt, keep := seconds(age), exp(-float64(age)/float64(floorFade))
	f.xx = float64(keep * (f.xx - float64(2*dt*f.x) + float64(float64(dt*dt)*f.n)))
	for k := range f.y {
		f.xy[k] = float64(keep * (f.xy[k] - float64(dt*f.y[k])))
		f.y[k] = float64(keep * f.y[k])
	}
	f.x = float64(keep * (f.x - float64(dt*f.n)))
	f.amps = amps + float64(keep*(f.amps-amps))
	f.late = amps + float64(exp(-float64(age)/float64(sagFade))*(f.late-amps))
	f.n = 1 + float64(keep*f.n)
	f.y[0] += chargeAt(cell + f.sag(ohms, amps))
	f.y[1] += cell + float64(ohms*amps)
	charge, _ := f.line(0)
	off := restAt(charge) - f.sag(ohms, f.amps) - cell
	off = float64(off * off)
	f.scatter = off + float64(keep*(f.scatter-off))
}

// sag returns what a current after the load so far takes of a cell's voltage.
func (f *toFloor) sag(ohms, amps float64) float64 {
	return float64(ohms * (amps + float64(sagSoon*f.amps) + float64(sagLate*f.late)))
}

// line fits a line (least squares): its value at the last voltage and its slope.
func (f *toFloor) line(k int) (now, slope float64) {
	x, y := f.x/f.n, f.y[k]/f.n
	if spread := f.xx - float64(f.x*x); spread > 0 {
		slope = (f.xy[k] - float64(f.x*y)) / spread
	}
	return y - float64(slope*x), slope
}

// restAt is the resting voltage of a lithium polymer cell at a charge, 1 is full:
// the knee of the curve of Chen and Rincón-Mora, 3.685 V − 1.031 V·e^−35q, and above
// it a straight line as steep as theirs is at half its charge and less, 0.25 V. So
// above the knee what falls straight is told as straight.
func restAt(q float64) float64 { return 3.685 + float64(0.25*q) - float64(1.031*exp(-float64(35*q))) }

// chargeAt is the charge at a resting voltage, by halving; below and above the
// curve's ends it stays there.
func chargeAt(volts float64) float64 {
	low, high := -0.125, 8.0
	for range 40 {
		if q := float64(0.5 * (low + high)); restAt(q) < volts {
			low = q
		} else {
			high = q
		}
	}
	return low
}

func (f *toFloor) Clone() limits.Calculator { c := *f; return &c }
