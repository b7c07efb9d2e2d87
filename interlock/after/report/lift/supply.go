package lift

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

const (
	// blockTime is the span that one row of the pack's fit averages, s: the
	// quick ripple of the load and the converter's noise are out of it.
	blockTime = 5.0
	// togetherTime is how far apart voltage and current may be told and still
	// belong together, s.
	togetherTime = 0.3
	// stepAmps and stepShare (of the largest current) are the least step of the
	// load that says anything of resistance.
	stepAmps, stepShare = 1.0, 0.05
	// gaveWay is the share of the voltage by which the supply must fall below its
	// own line to have given way; and at least gaveWayScatter times the scatter.
	gaveWay, gaveWayScatter = 0.03, 4.0
	// Spread of one pack's resistance and fall from flight to flight with its
	// warmth, in shares, with the freedom this assumption counts as beside the
	// flights' own scatter. Ours, no source.
	assumedResistance, assumedFall, assumedResting = 0.05, 0.15, 0.004
	assumedFreedom                                 = 4
)

// slowTimes are the times in which the slow sag may come and go, s; the one that
// fits best is taken.
var slowTimes = [...]float64{8, 20, 50}

// loadRow is one row of the pack's fit: a block of one run.
type loadRow struct {
	run                 int
	charge, amps, volts float64
	slow                [len(slowTimes)]float64 // A, the current as the slow sag feels it
	used                bool
}

// supply is the pack as the runs show it: V = E − k·Q − R·I − S·z, E for each run
// and the rest common: an ideal source that falls with the charge drawn, behind
// a resistance and one resistor-capacitor pair for the slow part of the sag
// (the first-order Thévenin cell, common practice). z is the current through a
// lag.
type supply struct {
	ohms, ohmsUnsure float64
	slow, slowUnsure float64 // ohm, the slow part
	fall, fallUnsure float64 // V/C
	resting          []float64
	newest           float64 // resting voltage as the newest run began
	freedom          float64
	stepOhms         float64
	steps            int
	shown, collapse  float64 // A
	deepest          float64 // C
	runs             int
}

// pairs are voltage and current that were told together.
func (r *Run) pairs() (t, volts, amps []float64) {
	for i, at := range r.Voltage.T {
		k := sort.SearchFloat64s(r.Current.T, at)
		if k > 0 && (k == len(r.Current.T) || at-r.Current.T[k-1] < r.Current.T[k]-at) {
			k--
		}
		if i < len(r.Voltage.V) && k < len(r.Current.V) && math.Abs(r.Current.T[k]-at) <= togetherTime {
			t, volts, amps = append(t, at), append(volts, r.Voltage.V[i]), append(amps, r.Current.V[k])
		}
	}
	return t, volts, amps
}

// newSupply fits the pack to the runs. why says why it cannot.
func newSupply(runs []Run) (s supply, why string) {
	var rows []loadRow
	var top float64
	for i := range runs {
		t, volts, amps := runs[i].pairs()
		rows = append(rows, blocks(i, t, volts, amps)...)
		for _, a := range amps {
			top = math.Max(top, a)
		}
	}
	if len(rows) == 0 || top < stepAmps {
		return s, "no pack current was recorded, so the sag at full output is unknown"
	}
	s.loadSteps(runs, top)
	return s.fit(rows)
}

// blocks averages a run's pairs into rows.
func blocks(run int, t, volts, amps []float64) (rows []loadRow) {
	// A gap in the record is no charge: at most 3 s between two readings count.
	charge := make([]float64, len(t))
	for i := 1; i < len(t); i++ {
		charge[i] = charge[i-1] + math.Min(t[i]-t[i-1], 3)*(amps[i]+amps[i-1])/2
	}
	slow := make([][len(slowTimes)]float64, len(t))
	for i := 1; i < len(t); i++ {
		for k, tau := range slowTimes {
			keep := math.Exp(-(t[i] - t[i-1]) / tau)
			slow[i][k] = slow[i-1][k]*keep + amps[i-1]*(1-keep)
		}
	}
	for i := 0; i < len(t); {
		row, n, began := loadRow{run: run, used: true}, 0.0, t[i]
		for ; i < len(t) && t[i]-began < blockTime; i++ {
			// A block is cut at a large step of the load: its mean would be neither.
			if n > 0 && math.Abs(amps[i]-row.amps/n) > math.Max(3*stepAmps, 0.15*math.Abs(row.amps/n)) {
				break
			}
			row.charge += charge[i]
			row.amps += amps[i]
			row.volts += volts[i]
			for k, z := range slow[i] {
				row.slow[k] += z
			}
			n++
		}
		for k := range row.slow {
			row.slow[k] /= n
		}
		row.charge, row.amps, row.volts = row.charge/n, row.amps/n, row.volts/n
		rows = append(rows, row)
	}
	return rows
}

// loadSteps is the resistance from quick steps, R = −ΣΔI·ΔU/ΣΔI² over
// neighbouring readings (IEC 61960, the d.c. method: two loads one right after
// the other).
func (s *supply) loadSteps(runs []Run, top float64) {
	var ii, iu float64
	for i := range runs {
		t, volts, amps := runs[i].pairs()
		for k := 1; k < len(t); k++ {
			di, du := amps[k]-amps[k-1], volts[k]-volts[k-1]
			if t[k]-t[k-1] > holdTime || math.Abs(di) < math.Max(stepAmps, stepShare*top) {
				continue
			}
			ii += di * di
			iu += di * du
			s.steps++
		}
	}
	if s.steps >= 5 && iu < 0 {
		s.stepOhms = -iu / ii
	}
}

// fit finds where the supply gave way, then fits what lies below.
func (s supply) fit(rows []loadRow) (supply, string) {
	slices.SortStableFunc(rows, func(a, b loadRow) int { return cmp.Compare(a.amps, b.amps) })
	top := rows[len(rows)-1].amps
	base := 0
	for base < len(rows) && rows[base].amps < 0.2*top {
		base++
	}
	base += (len(rows) - base) / 2
	for j := max(base, 4); j < len(rows); j++ {
		below := solveRows(rows[:j], -1)
		rest, ok := below.resting[rows[j].run]
		if !ok || !below.ok {
			continue
		}
		line := rest - below.drop(&rows[j])
		if line-rows[j].volts > math.Max(gaveWay*line, gaveWayScatter*below.scatter) {
			rows[j].used = false
			if s.collapse == 0 {
				s.collapse = rows[j].amps
			}
		}
	}
	all := solveRows(rows, -1)
	if !all.ok || !(all.ohms > 0) {
		return s, "voltage and current do not show the pack's sag: they were not told together, or the load never changed"
	}
	s.ohms, s.slow, s.fall = all.ohms, all.slow, all.fall
	last := 0
	for i := range rows {
		if rows[i].used {
			s.shown = math.Max(s.shown, rows[i].amps)
			last = max(last, rows[i].run)
		}
		s.deepest = math.Max(s.deepest, rows[i].charge)
	}
	for run := 0; run <= last; run++ {
		if e, ok := all.resting[run]; ok {
			s.resting = append(s.resting, e)
			s.newest = e
		}
	}
	s.runs = len(s.resting)
	s.jackknife(rows, last)
	if s.stepOhms > s.ohms && s.collapse == 0 {
		s.ohms = s.stepOhms
	}
	return s, ""
}

// jackknife estimates how unsure R, S and k are by leaving out one run at a time:
// the rows within a run are not independent. The flights' own scatter is joined
// with the assumed one by their freedoms.
func (s *supply) jackknife(rows []loadRow, last int) {
	var ohms, slow, fall []float64
	for run := 0; run <= last && s.runs > 1; run++ {
		if one := solveRows(rows, run); one.ok {
			ohms, slow, fall = append(ohms, one.ohms), append(slow, one.slow), append(fall, one.fall)
		}
	}
	m := float64(len(ohms))
	own := func(v []float64) float64 {
		if m < 2 {
			return 0
		}
		sd := spread(v, 0, len(v))
		return sd * sd * (m - 1) * (m - 1) / m // the jackknife's variance of the mean
	}
	join := func(own, assumed float64) float64 {
		f := math.Max(m-1, 0)
		return math.Sqrt((assumedFreedom*assumed*assumed + f*own) / (assumedFreedom + f))
	}
	s.freedom = assumedFreedom + math.Max(m-1, 0)
	s.ohmsUnsure = join(own(ohms), assumedResistance*s.ohms)
	s.slowUnsure = join(own(slow), assumedResistance*(s.ohms+s.slow))
	s.fallUnsure = join(own(fall), assumedFall*s.fall)
}
