package standtable

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// supply finds the row from which the voltage falls faster than the rows with less
// current show: a supply with a limit, or a weak cell. Thrust and speed fall with it, and
// the propeller goes on by its own law.
func (j *Judgement) supply(t *Table) {
	rows := byValue(t, func(r *Row) float64 { return r.Current.Value })
	if len(rows) < 4 {
		return
	}
	top := rows[len(rows)-1].Current.Value
	// A supply of the bench holds its current at the limit, so that rows past it lie at one
	// current or at less: among those the voltage decides what came first.
	slices.SortStableFunc(rows, func(a, b *Row) int {
		if math.Abs(a.Current.Value-b.Current.Value) < 0.02*top {
			return cmp.Compare(b.Voltage.Value, a.Voltage.Value)
		}
		return cmp.Compare(a.Current.Value, b.Current.Value)
	})
	base := 3
	for base < len(rows) && rows[base].Current.Value < 0.35*top {
		base++
	}
	for k := base; k < len(rows); k++ {
		volts, ohms, scatter, ok := ohmic(rows[:k])
		if !ok {
			continue
		}
		j.Resistance = max(ohms, 0)
		line := volts - max(ohms, 0)*rows[k].Current.Value
		if off := line - rows[k].Voltage.Value; off > max(gaveWay*line, gaveScatter*scatter) {
			j.WeakFrom = rows[k].Current.Value
			for _, r := range rows[k:] {
				j.found(GivesWay, r.Line, false, "charge the pack, take a larger supply, find the weak cell or the current limit; rows from here on tell of the supply, not of the motor",
					"the supply gives way: %.2f V at %.1f A, where the rows below lead to %.2f V", r.Voltage.Value, r.Current.Value, volts-max(ohms, 0)*r.Current.Value)
			}
			return
		}
	}
	if _, ohms, _, ok := ohmic(rows); ok {
		j.Resistance = max(ohms, 0)
	}
}

// ohmic is the line V = volts − ohms·I of the rows by least squares, and their scatter.
func ohmic(rows []*Row) (volts, ohms, scatter float64, ok bool) {
	n := float64(len(rows))
	var mi, mv, ii, iv float64
	for _, r := range rows {
		mi += r.Current.Value / n
		mv += r.Voltage.Value / n
	}
	for _, r := range rows {
		ii += (r.Current.Value - mi) * (r.Current.Value - mi)
		iv += (r.Current.Value - mi) * (r.Voltage.Value - mv)
	}
	if !(ii > 0) {
		return 0, 0, 0, false
	}
	ohms = -iv / ii
	volts = mv + ohms*mi
	for _, r := range rows {
		d := r.Voltage.Value - volts + ohms*r.Current.Value
		scatter += d * d / max(n-2, 1)
	}
	return volts, ohms, math.Sqrt(scatter), true
}

// byValue are the rows in ascending order of a value.
func byValue(t *Table, of func(*Row) float64) (rows []*Row) {
	for i := range t.Rows {
		rows = append(rows, &t.Rows[i])
	}
	slices.SortStableFunc(rows, func(a, b *Row) int { return cmp.Compare(of(a), of(b)) })
	return rows
}

// law holds thrust against the square of the speed. The coefficient T/(ρ·n²) depends on
// the speed alone, whatever the supply does: it grows a little as blades get faster, and
// falls where they flex, flutter or stall.
func (j *Judgement) law(t *Table) {
	var rows []*Row
	for _, r := range byValue(t, func(r *Row) float64 { return r.Speed.Value }) {
		if r.Speed.Told {
			rows = append(rows, r)
		}
	}
	if len(rows) == 0 {
		j.found(Untold, 0, false, "add the rotor's speed, from the controller or an optical counter", "no speeds: a propeller that flexes, flutters or stalls cannot be told from a motor at its end")
		return
	}
	top := rows[len(rows)-1].Speed.Value
	var seen []lawful
	var off []offRow
	for _, r := range rows {
		if r.Speed.Value < leastLoad*top {
			continue
		}
		c := r.Thrust.Value / (j.density * r.Speed.Value * r.Speed.Value)
		if len(seen) < 3 {
			seen = append(seen, lawful{r.Speed.Value, c})
			continue
		}
		own := offSpreads * math.Hypot(r.Thrust.share(), 2*r.Speed.share())
		away := c/goesOn(seen[max(len(seen)-5, 0):], r.Speed.Value) - 1
		if away < -max(offLaw, own) || away > 2*max(offLaw, own) {
			off = append(off, offRow{r, away})
			continue // rows past it are held against those before
		}
		for _, one := range off {
			j.alone(one)
		}
		off, seen = nil, append(seen, lawful{r.Speed.Value, c})
	}
	for _, one := range off {
		j.leaves(one)
	}
}

// lawful is the coefficient of a row at its speed.
type lawful struct{ n, c float64 }

// goesOn is the coefficient to expect at a speed: the middle of the rows before, and half
// of their slope (the median of all pairs'), for measured ones rise and level off.
func goesOn(seen []lawful, n float64) float64 {
	var ns, cs, slopes []float64
	for i, a := range seen {
		ns, cs = append(ns, a.n), append(cs, a.c)
		for _, b := range seen[:i] {
			if a.n > b.n*(1+1e-3) {
				slopes = append(slopes, (a.c-b.c)/(a.n-b.n))
			}
		}
	}
	if len(slopes) == 0 {
		return median(cs)
	}
	return median(cs) + median(slopes)/2*(n-median(ns))
}

// offRow is a row whose thrust is off the square of its speed, by a share.
type offRow struct {
	*Row
	away float64
}

func (o offRow) says() string {
	return fmt.Sprintf("thrust is %.0f %% %s the square of the speed (%.0f rpm)", 100*math.Abs(o.away), map[bool]string{true: "above", false: "below"}[o.away > 0], 60*o.Speed.Value)
}

// alone finds a row that left the law while faster ones keep to it.
func (j *Judgement) alone(o offRow) {
	j.found(OffLaw, o.Line, false, "measure this row again", "%s in this row alone, and faster ones keep to it: a reading of thrust or speed is wrong", o.says())
}

// leaves finds a row from which on no faster one keeps to the law.
func (j *Judgement) leaves(o offRow) {
	if o.away > 0 {
		j.found(OffLaw, o.Line, false, "look at the blades, the tare, slack in the lever and the speed's reading, and measure again",
			"%s: blades that twist as they are loaded, a zero that moved, or a wrong reading", o.says())
		return
	}
	j.found(OffLaw, o.Line, false, "stop there: stay below this speed, take stiffer blades or less pitch, and look for cracks before the next run",
		"%s: the propeller flexes, flutters or stalls", o.says())
	j.stops()
}

// median of at least one value.
func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// spreads finds rows whose thrust shakes far more than that of the rows below.
func (j *Judgement) spreads(t *Table) {
	var below []float64
	for _, r := range byValue(t, func(r *Row) float64 { return r.Thrust.Value }) {
		if !r.Thrust.HasSpread || r.Thrust.Value <= 0 {
			continue
		}
		share := r.Thrust.share()
		if len(below) >= 3 && share > leastJump && share > spreadJump*median(below) {
			j.found(Jumps, r.Line, false, "stop there and look at blades, bolts and bearings; what shakes faster than 40 times a second the cell cannot see: listen",
				"the thrust shakes by %.1f %%, %.1f times as much as in the rows below: flutter, or something loose", 100*share, share/median(below))
			j.stops()
			continue
		}
		below = append(below, share)
	}
}

// steady finds holds whose thrust was still moving, and rows at one output that do not
// agree beyond their spread and beyond what the voltage does.
func (j *Judgement) steady(t *Table) {
	for i := range t.Rows {
		r := &t.Rows[i]
		if r.Ends.Told && r.Thrust.HasSpread && math.Abs(r.Ends.Value) > max(2*r.Thrust.Spread, steadyShare*r.Thrust.Value) {
			j.found(NotSteady, r.Line, false, "hold this output until the thrust no longer moves, and measure again", "not yet steady: thrust moved by %.3g N while it was held", r.Ends.Value)
		}
		for k := range i {
			b := &t.Rows[k]
			if !r.Output.Told || !b.Output.Told || math.Abs(r.Output.Value-b.Output.Value) > 0.002 || r.Thrust.Value == 0 || b.Thrust.Value == 0 {
				continue
			}
			// At one output thrust goes about with the square of the voltage.
			a, c := r.Thrust.Value/(r.Voltage.Value*r.Voltage.Value), b.Thrust.Value/(b.Voltage.Value*b.Voltage.Value)
			own := offSpreads * math.Hypot(r.Thrust.share(), b.Thrust.share())
			if off := a/c - 1; math.Abs(off) > max(steadyShare, own) {
				j.found(NotSteady, r.Line, false, "hold each output until nothing moves, let the motor cool, and measure both again",
					"%.1f %% %s thrust than line %d at the same output, the voltage reckoned in: not yet steady, warmer, or the lever's zero moved", 100*math.Abs(off), map[bool]string{true: "more", false: "less"}[off > 0], b.Line)
				break
			}
		}
	}
}
