package derived

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"
)

// floorPoint is what the whole history keeps of one message in the line.
type floorPoint struct {
	at                     time.Duration
	cell, ohms, amps       float64
	mean, late             float64 // currents by then
	charge, resting, parts float64 // what the two lines are laid through; the square off the line
}

// floorHistory works pack.to_floor out anew after every message from all that was told
// since the last silence, with weights instead of sums that fade: the definition, written
// down a second time.
type floorHistory struct {
	cells, floor float64
	lack         float64
	points       []floorPoint
}

func restWritten(q float64) float64 { return 3.685 + 0.25*q - 1.031*math.Exp(-35*q) }

func chargeWritten(volts float64) float64 {
	low, high := -0.125, 8.0
	for range 200 {
		if q := (low + high) / 2; restWritten(q) < volts {
			low = q
		} else {
			high = q
		}
	}
	return low
}

// fade is how much of something that fades is left.
func fade(age, span time.Duration) float64 { return math.Exp(-float64(age) / float64(span)) }

// mean is the mean of a current that fades over a span.
func (h *floorHistory) mean(span time.Duration) float64 {
	m := h.points[0].amps
	for i := 1; i < len(h.points); i++ {
		k := fade(h.points[i].at-h.points[i-1].at, span)
		m = k*m + (1-k)*h.points[i].amps
	}
	return m
}

// line is the weighted line through what of gives, at the last point.
func (h *floorHistory) line(of func(floorPoint) float64) (now, slope float64) {
	last := h.points[len(h.points)-1].at
	var w, x, y float64
	for _, p := range h.points {
		f := fade(last-p.at, 30*time.Second)
		w, x, y = w+f, x+f*(p.at-last).Seconds(), y+f*of(p)
	}
	x, y = x/w, y/w
	var xx, xy float64
	for _, p := range h.points {
		f := fade(last-p.at, 30*time.Second)
		dx := (p.at - last).Seconds() - x
		xx, xy = xx+f*dx*dx, xy+f*dx*(of(p)-y)
	}
	if xx > 1e-9 {
		slope = xy / xx
	}
	return y - slope*x, slope
}

func (p floorPoint) sag(amps float64) float64 { return p.ohms * (amps + 0.63*p.mean + 0.67*p.late) }

func (h *floorHistory) add(at time.Duration, cell, ohms, amps float64) {
	if n := len(h.points); n > 0 && at-h.points[n-1].at > time.Minute {
		h.points = nil
	}
	h.points = append(h.points, floorPoint{at: at, cell: cell, ohms: ohms, amps: amps})
	p := &h.points[len(h.points)-1]
	p.mean, p.late = h.mean(30*time.Second), h.mean(220*time.Second)
	p.charge, p.resting = chargeWritten(cell+p.sag(amps)), cell+ohms*amps
	charge, _ := h.line(func(p floorPoint) float64 { return p.charge })
	off := restWritten(charge) - p.sag(p.mean) - cell
	p.parts = off * off
}

// left is the time to the floor, without a value at or below it and in the first minute.
func (h *floorHistory) left(at time.Duration, cell, ohms float64) (s float64, cause rules.Cause) {
	if cell <= h.floor {
		return 0, rules.NoCause
	}
	if len(h.points) == 0 || at-h.points[0].at < time.Minute {
		return 0, rules.NotFilled
	}
	scatter := 0.0
	for i := 1; i < len(h.points); i++ {
		k := fade(h.points[i].at-h.points[i-1].at, 30*time.Second)
		scatter = k*scatter + (1-k)*h.points[i].parts
	}
	p := h.points[len(h.points)-1]
	loaded := h.floor + 2*math.Sqrt(scatter)
	meets := func(of func(floorPoint) float64, value float64) float64 {
		now, slope := h.line(of)
		switch most := rules.PackToFloor.Channel().High; {
		case now <= value:
			return 0
		case slope >= 0:
			return most
		default:
			return math.Min(most, (now-value)/-slope)
		}
	}
	p.ohms = ohms
	return math.Min(meets(func(p floorPoint) float64 { return p.charge }, chargeWritten(loaded+p.sag(p.mean))),
		meets(func(p floorPoint) float64 { return p.resting }, loaded+ohms*p.mean)), rules.NoCause
}

// Whatever comes (steps of the load, packs that fall and do not, silences at the borders
// of what ends a line and of what gives a resistance, values in doubt and missing, a cell
// that is told late, or none), what is told is what the whole history gives.
func TestPackToFloorAgainstTheWholeHistory(t *testing.T) {
	full, at0, most, filled := 0, 0, 0, 0
	for seed := range uint64(40) {
		dice := rand.New(rand.NewPCG(seed, 11))
		cfg := whole() // three cells, floor 10.2 V
		cfg.PackVoltage, cfg.PackCurrent = rules.Pack1Voltage, rules.Pack1Current
		r := newRig(t, cfg, rules.PackToFloor)
		h := floorHistory{cells: 3, floor: 3.4}
		load := resistance{voltage: cfg.PackVoltage, current: cfg.PackCurrent, span: 15 * time.Second}
		at, amps, fall := 10*time.Second, 10.0, []float64{0, 0.0004, 0.0015, 0.004, -0.0005}[seed%5]
		rest, cells := 12.0-0.6*dice.Float64(), seed%3 > 0
		lowAt, lowOff := time.Duration(-1), 0.0
		for range 160 {
			gap := []time.Duration{ms(500), ms(1000), ms(1600), 5 * time.Second}[dice.IntN(4)]
			step := dice.IntN(6) == 0
			switch n := dice.IntN(40); {
			case n < 6:
				gap, step = 15*time.Second+time.Duration(dice.IntN(2))*ms(500), true
			case n == 6:
				gap = time.Minute + time.Duration(dice.IntN(2))
			}
			at += gap
			rest -= fall * seconds(gap)
			if step {
				amps = 25 * dice.Float64()
			}
			volts := math.Max(9, rest-0.03*amps+0.002*dice.NormFloat64())
			quality, good := rules.Good, true
			if dice.IntN(25) == 0 {
				quality, good = rules.Doubtful, false
			}
			r.put(at, cfg.PackCurrent, amps)
			if quality == rules.Good {
				r.put(at, cfg.PackVoltage, volts)
			} else {
				r.doubtful(at, cfg.PackVoltage, volts, rules.OutOfRange)
			}
			load.Sample(at, &r.t)
			if lowAt >= 0 { // that of the message before
				h.lack, lowAt = lowOff, -1
			}
			cell, ohms := volts/3-h.lack, load.ohms()/3
			if good {
				h.add(at, cell, ohms, amps)
			}
			want, cause := h.left(at, cell, ohms)
			got := r.last[rules.PackToFloor]
			if cause != rules.NoCause {
				filled++
				if got.Cause != cause || got.Quality != rules.Missing {
					t.Fatalf("seed %d at %v: %+v, want missing: %v", seed, at, got, cause)
				}
			} else if got.Quality != quality || math.Abs(got.Value-want) > 1e-5*(1+want) {
				t.Fatalf("seed %d at %v: %+v, the whole history gives %v", seed, at, got, want)
			}
			switch {
			case cause != rules.NoCause:
			case want == 0:
				at0++
			case want == rules.PackToFloor.Channel().High:
				most++
			default:
				full++
			}
			if cells && dice.IntN(8) > 0 {
				off := 0.05*dice.Float64() - 0.01
				switch low := volts/3 - off; dice.IntN(10) {
				case 0:
					r.put(at+ms(1), rules.Pack1LowestCell, low) // belongs to no voltage
				case 1:
					r.doubtful(at, rules.Pack1LowestCell, low, rules.OutOfRange)
				default:
					r.put(at, rules.Pack1LowestCell, low)
					lowAt, lowOff = at, math.Max(0, off)
				}
			}
		}
	}
	if full < 500 || at0 < 100 || most < 500 || filled < 500 {
		t.Errorf("%d times in between, %d at the floor, %d without a fall, %d in the first minute: this tries little", full, at0, most, filled)
	}
}
