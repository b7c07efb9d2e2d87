package chart

import (
	"io"
	"slices"
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/before/bench"
	"downhaul/rules"
)

// Sweep draws a sweep over its values, one chart for each thing that was counted or
// timed, with the widest range without a wrong marked. unit is the unit of the values'
// texts.
func Sweep(w io.Writer, j *bench.Judged, unit, title string) error {
	x := func(i int) float64 {
		if v, ok := rules.Convert(j.Steps[i].Value, unit); ok {
			return v
		}
		return j.Steps[i].Value
	}
	at := func(i int) time.Duration { return time.Duration(x(i) * 1e9) }
	var marks []picture.Mark
	if j.First >= 0 {
		from, to := j.Steps[j.First].Text, j.Steps[j.Last].Text
		marks = []picture.Mark{{At: at(j.First), Words: "no false, none missed: " + from + " to " + to}, {At: at(j.Last)}}
	}
	last := len(j.Steps) - 1
	var charts []*picture.Chart
	add := func(what string, counts bool, value func(s *bench.Step) *float64) {
		var line []picture.Point
		for i := range j.Steps {
			if v := value(&j.Steps[i]); v != nil {
				line = append(line, picture.Point{At: at(i), V: *v})
			}
		}
		curves := [][]picture.Point{line}
		charts = append(charts, &picture.Chart{From: min(x(0), x(last)), To: max(x(0), x(last)), Unit: what, Counts: counts, Marks: slices.Clone(marks), Height: 110,
			Scale: picture.InUnit(""), Says: what + " over the value", Traces: []picture.Trace{{Curves: curves}, {Curves: curves, Dots: true}}})
		for i := range marks {
			marks[i].Words = "" // once is enough
		}
	}
	count := func(n *uint64) *float64 {
		if n == nil {
			return nil
		}
		v := float64(*n)
		return &v
	}
	add("trips", true, func(s *bench.Step) *float64 { return count(&s.Trips) })
	if j.Reals != nil {
		add("false trips", true, func(s *bench.Step) *float64 { return count(s.False) })
		add("real ones missed", true, func(s *bench.Step) *float64 { return count(s.Missed) })
		add("slowest, s after the real time", false, func(s *bench.Step) *float64 { return s.SlowestS })
		add("mean, s after the real time", false, func(s *bench.Step) *float64 { return s.MeanS })
	}
	return picture.File(w, title, charts...)
}
