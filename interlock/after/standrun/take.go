package standrun

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock/records/standtable"
	"downhaul/rules"
)

// Sample is one good value of a channel, SI.
type Sample struct {
	At    time.Duration
	Value float64
}

// Seen is what a recording holds of a run on a stand, in order of time.
type Seen struct {
	Cell []Sample // what the pad's load cell read, N
	// Output, Speed of the motor; Volts and Amps of every source, the nearest to the motor
	// first; Celsius at its controller.
	Output, Speed, Celsius []Sample
	Volts, Amps            [3][]Sample
	Marks                  []Mark
}

// Taken is what came of a run.
type Taken struct {
	Rows  []standtable.Row
	Lever Lever
	// Zeros are the cell's zeros, N, in order; Drift is how far they lie apart, as thrust, N.
	Zeros []float64
	Drift float64
	// Doubt is how far all thrusts together may be off, as a share (95 %).
	Doubt float64
	// Finished reports whether the crew said that nothing more comes, with a zero behind
	// the last row.
	Finished bool
	Notes    []string
}

const (
	// fewest is the least number of readings behind a zero, a hung mass or a row.
	fewest = 10
	// slow is how old a value of telemetry may be that stands for a hold.
	slow = 2500 * time.Millisecond
	// stood is the rotor speed below which it counts as still, 1/s: a hand's turn.
	stood = 0.5
	// calm is how far the cell may go while its zero or a hung mass is read, as a multiple of
	// its noise: a hand on the lever or a mass that swings is far more. Ours.
	calm = 3.0
	// atRest is a movement that is none, N: a count or two of a cell without noise.
	atRest = 0.02
	// moved is how far an output may move while it is held, as a share of full output.
	moved = 0.01
	// slowed is the same of the rotor's speed, as a share of it: a flutter shakes it, and a
	// weak supply lets it sink by some hundredths.
	slowed = 0.1
	// openDrift is how far the zero may have moved where nobody read it at the end, as a
	// share of the highest thrust. Ours.
	openDrift = 0.02
	// leastDoubt is what no stand is surer of: friction of the lever, creep and bend of the
	// cell, a zero that wanders between tares. Ours.
	leastDoubt = 0.005
)

// window is the samples from from on, before to: a mark comes behind its readings.
func window(s []Sample, from, to time.Duration) []Sample {
	at := func(t time.Duration) int {
		i, _ := slices.BinarySearchFunc(s, t, func(x Sample, t time.Duration) int { return cmp.Compare(x.At, t) })
		return i
	}
	return s[at(from):at(to)]
}

// mean is that of at least one sample, with the standard deviation of one.
func mean(s []Sample) (m, sd float64) {
	for _, x := range s {
		m += x.Value / float64(len(s))
	}
	for _, x := range s {
		sd += (x.Value - m) * (x.Value - m) / math.Max(float64(len(s)-1), 1)
	}
	return m, math.Sqrt(sd)
}

// round keeps so many digits that count: a table is read by people.
func round(v float64, digits int) float64 {
	if v == 0 {
		return 0
	}
	scale := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

// goes is how far the readings went from their first third to their last, and their noise
// from one to the next as a standard deviation.
func goes(w []Sample) (moved, noise float64) {
	third := len(w) / 3
	a, _ := mean(w[:third])
	b, _ := mean(w[len(w)-third:])
	for i := range w[1:] {
		noise += math.Pow(w[i+1].Value-w[i].Value, 2) / 2 / float64(len(w)-1)
	}
	return math.Abs(b - a), math.Sqrt(noise)
}

// told is what a channel of telemetry said in a hold, the last word before where none
// fell into it.
func told(s []Sample, from, to time.Duration) (c standtable.Cell) {
	w := window(s, from, to)
	if len(w) == 0 {
		w = window(s, to-slow, to)
		w = w[max(0, len(w)-1):]
	}
	if len(w) == 0 {
		return c
	}
	c.Told = true
	c.Value, c.Spread = mean(w)
	c.HasSpread = len(w) > 2
	return c
}

// zero is a zero of the cell at an instant.
type zero struct {
	at     time.Duration
	newton float64
	unsure float64 // of the mean, N (95 %)
}

// take makes rows of what was seen. It fails where there is no zero, no lever or no row.
func take(seen *Seen) (*Taken, error) {
	t, marks := &Taken{}, newest(seen.Marks)
	zeros, err := t.tares(seen, marks)
	if err != nil {
		return nil, err
	}
	if err := t.lever(seen, marks, zeros); err != nil {
		return nil, err
	}
	rows, last := 0, time.Duration(0)
	highest := 0.0
	for i := range marks {
		if m := &marks[i]; m.What == Row {
			rows, last = rows+1, m.At
			r, err := seen.row(m, zeros, t.Lever.Ratio)
			if err != nil {
				t.note("the row at %.1f s is left out: %v", m.At.Seconds(), err)
				continue
			}
			highest = math.Max(highest, r.Thrust.Value)
			t.Rows = append(t.Rows, r)
		}
	}
	if len(t.Rows) == 0 {
		return nil, fmt.Errorf("no output that was held counts%s", because(t.Notes))
	}
	t.Finished = slices.ContainsFunc(marks, func(m Mark) bool { return m.What == Done })
	behind := zeros[len(zeros)-1].at > last
	t.Drift = (slices.Max(t.Zeros) - slices.Min(t.Zeros)) * t.Lever.Ratio
	drift := t.Drift
	if !behind {
		t.Finished = false
		drift = math.Max(drift, openDrift*highest)
		t.note("no tare behind the last row: how far the zero moved is not known, and %.1f %% of the highest thrust counts for it", 100*openDrift)
	}
	if !t.Finished {
		t.note("unfinished: the run broke off after %d of its rows, and what was taken stands here", rows)
	}
	// The zero's way between two tares is not known: half of it counts for all rows
	// together, against the middle thrust.
	middle := make([]float64, len(t.Rows))
	for i := range t.Rows {
		middle[i] = t.Rows[i].Thrust.Value
	}
	slices.Sort(middle)
	if m := middle[len(middle)/2]; m > 0 {
		t.Doubt = math.Hypot(t.Lever.Doubt, drift/2/m)
	}
	t.Doubt = math.Min(math.Max(round(t.Doubt, 2), leastDoubt), 0.5)
	if t.Drift > 0.03*highest {
		t.note("the zero moved by %.3g N of thrust from tare to tare: look at the cell's bolts, its warmth and the lever's friction", t.Drift)
	}
	return t, nil
}

// LeverOf is the newest lever of the newest run, before any row is held.
func LeverOf(seen *Seen) (Lever, error) {
	t, marks := &Taken{}, newest(seen.Marks)
	zeros, err := t.tares(seen, marks)
	if err == nil {
		err = t.lever(seen, marks, zeros)
	}
	return t.Lever, err
}

// newest is the marks of the newest run.
func newest(marks []Mark) []Mark {
	for i, m := range slices.Backward(marks) {
		if m.What == Begin {
			return marks[i+1:]
		}
	}
	return marks
}

// tares reads the zeros.
func (t *Taken) tares(seen *Seen, marks []Mark) (zeros []zero, err error) {
	for i := range marks {
		if m := &marks[i]; m.What == Tare {
			z, err := seen.zero(m)
			if err != nil {
				t.note("the tare at %.1f s does not count: %v", m.At.Seconds(), err)
				continue
			}
			zeros = append(zeros, z)
			t.Zeros = append(t.Zeros, z.newton)
		}
	}
	if len(zeros) == 0 {
		return nil, fmt.Errorf("no tare counts: read the cell with the propeller on and still, before the first output (stand tare; hold 3 s)%s", because(t.Notes))
	}
	return zeros, nil
}

func (t *Taken) note(format string, args ...any) {
	t.Notes = append(t.Notes, fmt.Sprintf(format, args...))
}

func because(notes []string) string {
	if len(notes) == 0 {
		return ""
	}
	return ": " + notes[len(notes)-1]
}

// zero reads the cell with the propeller on and still.
func (s *Seen) zero(m *Mark) (zero, error) {
	w := window(s.Cell, m.At-m.Hold, m.At)
	if len(w) < fewest {
		return zero{}, fmt.Errorf("the load cell told %d values meanwhile", len(w))
	}
	for _, x := range window(s.Speed, m.At-m.Hold, m.At) {
		if math.Abs(x.Value) > stood {
			return zero{}, fmt.Errorf("the propeller turned (%.0f rpm)", 60*x.Value)
		}
	}
	if moved, noise := goes(w); moved > math.Max(calm*noise, atRest) {
		return zero{}, fmt.Errorf("the reading went by %.3g N meanwhile, and its noise is %.2g N: something still moved or pulled", moved, noise)
	}
	v, sd := mean(w)
	return zero{m.At - m.Hold/2, v, 2 * sd / math.Sqrt(float64(len(w)))}, nil
}

// at is the zero at an instant: on the straight line between the tares around it.
func at(zeros []zero, t time.Duration) zero {
	i := slices.IndexFunc(zeros, func(z zero) bool { return z.at >= t })
	switch {
	case i == 0:
		return zeros[0]
	case i < 0:
		return zeros[len(zeros)-1]
	}
	a, b := zeros[i-1], zeros[i]
	share := float64(t-a.at) / float64(b.at-a.at)
	return zero{t, a.newton + share*(b.newton-a.newton), math.Max(a.unsure, b.unsure)}
}

// lever finds the newest lever that the marks tell.
func (t *Taken) lever(seen *Seen, marks []Mark, zeros []zero) error {
	err := errors.New("nothing tells the lever: hang a known mass where the motor pulls (stand hung; hold 3 s; mass 2 kg; doubt 5 g), or state its arms")
	for _, m := range slices.Backward(marks) {
		switch m.What {
		case Direct:
			t.Lever = Lever{1, m.Doubt, fmt.Sprintf("the load cell reads the thrust itself, within %.1f %%, as stated", 100*m.Doubt)}
			return nil
		case Arms:
			t.Lever, err = byArms(&m)
			return err
		case Hung:
			w := window(seen.Cell, m.At-m.Hold, m.At)
			if len(w) < fewest {
				t.note("the hung mass at %.1f s does not count: the load cell told %d values meanwhile", m.At.Seconds(), len(w))
				continue
			}
			if moved, noise := goes(w); moved > math.Max(calm*noise, atRest) {
				return fmt.Errorf("the reading went by %.3g N while the mass hung: let it come to rest", moved)
			}
			v, sd := mean(w)
			z := at(zeros, m.At)
			t.Lever, err = byMass(m.Mass, m.Doubt, v-z.newton, math.Hypot(z.unsure, 2*sd/math.Sqrt(float64(len(w)))))
			return err
		}
	}
	return err
}

// row is one output that was held.
func (s *Seen) row(m *Mark, zeros []zero, ratio float64) (r standtable.Row, err error) {
	from := m.At - m.Hold
	w := window(s.Cell, from, m.At)
	if len(w) < fewest {
		return r, fmt.Errorf("the load cell told %d values meanwhile", len(w))
	}
	z := at(zeros, m.At-m.Hold/2).newton
	v, sd := mean(w)
	r.Thrust = standtable.Cell{Value: (v - z) * ratio, Spread: sd * ratio, Told: true, HasSpread: true}
	if r.Thrust.Value < 0 {
		if r.Thrust.Value < -2*r.Thrust.Spread {
			return r, fmt.Errorf("the thrust reads below zero (%.3g N): tare again with the propeller on and still, or the motor pushes where it should pull", r.Thrust.Value)
		}
		r.Thrust.Value = 0
	}
	r.Count = len(w)
	third := len(w) / 3
	first, _ := mean(w[:third])
	end, _ := mean(w[len(w)-third:])
	r.Ends = standtable.Cell{Value: (end - first) * ratio, Told: true}
	typed := func(c standtable.Cell, v float64) standtable.Cell {
		if !c.Told && !math.IsNaN(v) {
			return standtable.Cell{Value: v, Told: true}
		}
		return c
	}
	r.Output = typed(told(s.Output, from, m.At), m.Output)
	r.Speed = typed(told(s.Speed, from, m.At), m.Speed)
	r.Celsius = told(s.Celsius, from, m.At)
	for i := range s.Volts {
		if !r.Voltage.Told {
			r.Voltage = told(s.Volts[i], from, m.At)
		}
		if !r.Current.Told {
			r.Current = told(s.Amps[i], from, m.At)
		}
	}
	r.Voltage, r.Current = typed(r.Voltage, m.Voltage), typed(r.Current, m.Current)
	turns := window(s.Speed, from, m.At)
	switch held := window(s.Output, from, m.At); {
	case len(held) > 1 && math.Abs(held[len(held)-1].Value-held[0].Value) > moved:
		return r, fmt.Errorf("the output moved from %s to %s while it was held", rules.Format(held[0].Value, "%"), rules.Format(held[len(held)-1].Value, "%"))
	case r.Speed.Told && r.Speed.Value < stood, r.Thrust.Value < 3*sd*ratio/math.Sqrt(float64(len(w))):
		return r, errors.New("the motor stood: no power, or no output")
	case len(turns) > 1 && math.Abs(turns[len(turns)-1].Value/turns[0].Value-1) > slowed:
		return r, fmt.Errorf("the speed went from %.0f to %.0f rpm while it was held: the power went off, or the output had just been set", 60*turns[0].Value, 60*turns[len(turns)-1].Value)
	case !r.Output.Told && !r.Speed.Told:
		return r, errors.New("neither output nor speed is known: no telemetry tells them, and none was typed (output 40 %)")
	case !r.Voltage.Told:
		return r, errors.New("no voltage is known: no telemetry tells it, and none was typed (voltage 22.2 V)")
	case !r.Current.Told:
		return r, errors.New("no current is known: no telemetry tells it, and none was typed (current 12.3 A)")
	}
	r.Output.Value = math.Max(0, math.Min(1, r.Output.Value))
	for _, c := range []*standtable.Cell{&r.Output, &r.Speed, &r.Thrust, &r.Voltage, &r.Current, &r.Celsius, &r.Ends} {
		if c.Spread < 1e-6*math.Abs(c.Value) {
			c.Spread = 0
		}
		c.Value, c.Spread = round(c.Value, 5), round(c.Spread, 2)
	}
	r.Current.Value = math.Max(0, r.Current.Value)
	r.Power = standtable.Cell{Value: round(r.Voltage.Value*r.Current.Value, 5), Told: true}
	if r.Voltage.HasSpread && r.Current.HasSpread && r.Current.Value > 0 {
		r.Power.Spread = round(r.Power.Value*math.Hypot(r.Voltage.Spread/r.Voltage.Value, r.Current.Spread/r.Current.Value), 2)
		r.Power.HasSpread = true
	}
	return r, nil
}
