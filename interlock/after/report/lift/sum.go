package lift

import (
	"fmt"
	"math"

	"downhaul/interlock/model/air"
	"downhaul/interlock/model/recipe"
	"downhaul/interlock/records/standtable"
	"downhaul/rules"
	"downhaul/rules/card"
)

// SumQuestion is what a sum of lift rests on before anything flew.
type SumQuestion struct {
	Table *standtable.Table
	Card  *card.Card
	// Cells in series and Packs side by side, as they fly.
	Cells, Packs int
	// Charge is the packs' charge, a share; CellVolts a cell's resting voltage there, V.
	Charge, CellVolts float64
	// Ohms is the resistance of all packs together with their leads, Ω, OhmsUnsure the share
	// by which it may be more or less, OhmsFrom who says so.
	Ohms, OhmsUnsure float64
	OhmsFrom         string
}

// SumLine is one line of the sum, SI.
type SumLine struct {
	What string `json:"what"`
	Estimate
	Unit string `json:"unit"`
	// Paper is the same in the sum on paper: the stand's best row times the motors, less
	// ten percent; null where it has none.
	Paper  *float64 `json:"paper"`
	Source string   `json:"source"`
	kind   rules.Kind
}

// SumStep is what is left of the lift at one step that flies.
type SumStep struct {
	Step    string  `json:"step"`
	Line    int     `json:"line"`
	Ballast float64 `json:"ballast_kg"`
	// Ratio is thrust over weight, Paper that of the sum on paper.
	Ratio Estimate `json:"thrust_to_weight"`
	Paper float64  `json:"paper_thrust_to_weight"`
	// Needed is the ratio that control needs; Enough: the low end of Ratio keeps it.
	Needed float64 `json:"needed_ratio"`
	Enough bool    `json:"enough"`
}

// Sum is the builder's sum, done with what the stand measured: each line with its 95 %
// interval. The low end is the answer.
type Sum struct {
	Schema int       `json:"schema_version"`
	Lines  []SumLine `json:"lines"`
	Steps  []SumStep `json:"steps"`
	// Lift is all motors' thrust at full output on these packs, installed, N.
	Lift Estimate `json:"lift_n"`
	// Ballast is the most that leaves the reserve for control, kg.
	Ballast Estimate `json:"largest_ballast_kg"`
	// PaperLift is the sum on paper, N.
	PaperLift float64 `json:"paper_lift_n"`
	// Doubts state what is not in the sum, and to which side that errs.
	Doubts []string `json:"doubts"`
}

const (
	craftLine = "craft without ballast"
	// paperLoss is what a sum on paper takes off.
	paperLoss = 0.1
	// cellUnsure is a resting cell's voltage at a charge, as a standard deviation (share);
	// settles is the most by which the slow part of the sag adds to the resistance, a share
	// of it: measured packs show 0.2 to 0.5 (from memory).
	cellUnsure, settles = 0.01, 0.5
)

// whyNot returns what is missing for a sum; empty when nothing is.
func (q *SumQuestion) whyNot() (why, mend string) {
	c := q.Card
	switch {
	case c.Motors.Count == 0:
		return "the card does not say how many motors there are", "write [motors] count = 8"
	case c.Craft.Mass == 0:
		return "the card does not state the craft's mass", "write [craft] mass"
	case q.Cells == 0:
		return "nobody says how many cells are in series", "write cells under [packs] in the pad file"
	case !(q.Ohms > 0):
		return "the packs' resistance is not known", "write resistance or capacity under [[pack]] on the card"
	case !(q.CellVolts > 0):
		return "the cells' resting voltage is not known", "state the charge"
	}
	return "", ""
}

// SumOf works the sum out. err says what is missing, with the mend.
func SumOf(q SumQuestion) (*Sum, error) {
	if why, mend := q.whyNot(); why != "" {
		return nil, fmt.Errorf("%s; %s", why, mend)
	}
	s, why := NewStand(q.Table)
	if why != "" {
		return nil, fmt.Errorf("%s: %s", q.Table.Name, why)
	}
	m := &q.Card.Motors
	rho, airUnsure, airFrom := density(q.Card.Air), 0.0, "the card: "+air.Says(q.Card.Air, q.Card.Units)
	if !q.Card.Air.Told {
		rho, airUnsure, airFrom = s.rho, unsureAir, "the pad's air is not on the card: that of the stand counts"
	}
	clean := s.clean
	if m.Rig.CleanTo > 0 && (clean == 0 || m.Rig.CleanTo < clean) {
		clean = m.Rig.CleanTo
	}
	losses := q.losses()
	rng := newRandom(uint64(len(q.Table.Rows)))
	n := float64(m.Count)
	var one, volts, amps, thrust, over, guard, lift []float64
	rest := q.CellVolts * float64(q.Cells)
	for range draws {
		d := sample{law: s.draw(rng), rho: rho * (1 + airUnsure*rng.NormFloat64())}
		d.resting = rest * (1 + cellUnsure*rng.NormFloat64())
		d.ohms = q.Ohms * math.Max(1+q.OhmsUnsure/twoSigma*rng.NormFloat64(), 0.2) * (1 + settles*rng.Float64())
		mach := machine{motors: n, cells: 1, packs: 1, thrust: 1, ohms: 1, limit: 1, clean: clean * d.law.installed}
		all, at := mach.most(&d, d.resting)
		one = append(one, s.top.Thrust*d.law.installed)
		volts, amps, thrust = append(volts, at.volts), append(amps, at.amps), append(thrust, all)
		o, g := losses.overlap.draw(rng.Float64(), rng.Float64()), losses.guard.draw(rng.Float64(), rng.Float64())
		over, guard, lift = append(over, o), append(guard, g), append(lift, all*(1-o)*(1-g))
	}
	out := &Sum{Schema: 1, Steps: []SumStep{}, PaperLift: n * s.top.Thrust * (1 - paperLoss)}
	out.Lift = interval(lift)
	table := fmt.Sprintf("%s, %.0f %% of output at %.1f V; doubt %.3g %%", q.Table.Name, 100*s.top.Output, s.top.Voltage, 100*q.Table.Doubt)
	line := func(what string, v []float64, k rules.Kind, source string) *SumLine {
		out.Lines = append(out.Lines, SumLine{What: what, Estimate: interval(v), Unit: rules.SIUnit(k), kind: k, Source: source})
		return &out.Lines[len(out.Lines)-1]
	}
	fixed := func(v float64) []float64 { return []float64{v, v} }
	paper := func(v float64) *float64 { return &v }
	line("one motor on the stand", one, rules.Force, table).Paper = paper(s.top.Thrust)
	line("packs at full output", volts, rules.Voltage, fmt.Sprintf("%d cells in series, %d side by side, at %.0f %% of charge, rest at %.3g V a cell; %s",
		q.Cells, max(q.Packs, 1), 100*q.Charge, q.CellVolts, q.OhmsFrom))
	line("current at full output", amps, rules.Current, "the table's power at that thrust")
	line(fmt.Sprintf("%d motors on these packs", m.Count), thrust, rules.Force, "the table's law at that voltage; "+airFrom).Paper = paper(n * s.top.Thrust)
	line("less overlap", over, rules.Ratio, losses.overlap.from).Paper = paper(paperLoss)
	line("less guard or net", guard, rules.Ratio, losses.guard.from)
	line("lift", lift, rules.Force, "all of the above").Paper = paper(out.PaperLift)
	line(craftLine, fixed(q.Card.Craft.Mass), rules.Mass, "the card: frame and packs").Paper = paper(q.Card.Craft.Mass)
	reserve, from := q.reserve()
	line("reserve for control", fixed(reserve), rules.Ratio, from)
	room := func(reserve float64) []float64 {
		v := make([]float64, len(lift))
		for i := range lift {
			v[i] = lift[i]/(1+reserve)/Gravity - q.Card.Craft.Mass
		}
		return v
	}
	out.Ballast = interval(room(reserve))
	line("largest ballast", room(reserve), rules.Mass, "lift over one and the reserve, less the craft").Paper = paper(out.PaperLift/Gravity - q.Card.Craft.Mass)
	for i := range q.Card.Steps {
		c := &q.Card.Steps[i]
		if c.Kind != card.Flight {
			continue
		}
		weight := (q.Card.Craft.Mass + c.Ballast) * Gravity
		step := SumStep{Step: c.Name, Line: c.Line, Ballast: c.Ballast, Needed: 1 + reserve, Paper: out.PaperLift / weight,
			Ratio: Estimate{out.Lift.Mid / weight, out.Lift.Low / weight, out.Lift.High / weight}}
		step.Enough = step.Ratio.Low >= step.Needed
		out.Steps = append(out.Steps, step)
	}
	out.doubts(&q, s, losses)
	return out, nil
}

// reserve is what control needs beyond the weight, as a share of it.
func (q *SumQuestion) reserve() (share float64, from string) {
	share, from = recipe.Reserve, "common practice: 1.5 times the weight is the least for control"
	for i := range q.Card.Steps {
		if s := &q.Card.Steps[i]; s.Shown.HasReserve && s.Shown.Reserve > share {
			share, from = s.Shown.Reserve, "the card, step "+s.Name
		}
	}
	return share, from
}

// loss is a share that is taken off, from low to high, mid the likeliest.
type loss struct {
	low, mid, high float64
	from           string
}

// draw is a triangle between low and high with its top at mid, from two even numbers.
func (l loss) draw(a, b float64) float64 {
	// The larger or smaller of two even numbers makes each side's slope.
	if l.high <= l.low {
		return l.mid
	}
	if a < (l.mid-l.low)/(l.high-l.low) {
		return l.low + (l.mid-l.low)*math.Sqrt(b)
	}
	return l.high - (l.high-l.mid)*math.Sqrt(b)
}

type losses struct{ overlap, guard loss }

func between(low, high float64, from string) loss {
	return loss{low, (low + high) / 2, high, from}
}

// losses are what overlap and guards take of the thrust.
func (q *SumQuestion) losses() (l losses) {
	m := &q.Card.Motors
	l.guard = loss{from: "the card states none ([motors] guard)"}
	if m.HasGuard {
		l.guard = between(m.GuardLow, m.GuardHigh, "the card: [motors] guard")
	}
	low, mid, high := overlapLoss(m.Places, q.Table.Diameter)
	known := len(m.Places) > 0 && q.Table.Diameter > 0
	switch {
	case m.HasLosses && (!known || !m.HasGuard && m.LossHigh > high):
		l.overlap = between(m.LossLow, m.LossHigh, "the card: [motors] losses, for wakes, mounting and heat together")
		if !m.HasGuard {
			l.guard.from = "in the losses above"
		}
	case !known:
		l.overlap.from = overlapUnknown
	case high == 0:
		l.overlap.from = "none: no rotor stands over another ([[motor]] on the card, the table's diameter)"
	default:
		l.overlap = loss{low, mid, high, "two rotors' induced power (momentum theory), [[motor]] on the card, the table's diameter"}
	}
	return l
}

const overlapUnknown = "not known: [[motor]] on the card or the table's diameter is missing"

func (out *Sum) doubts(q *SumQuestion, s *Stand, l losses) {
	out.Doubts = []string{
		"steering, gusts and a motor that works harder than the others: the reserve must hold them",
		"cold packs sag more, and then this sum errs high",
		"whether the packs carry that current: a pack with a limit or a weak cell gives less, and only a full-output pull shows it",
	}
	if l.overlap.from == overlapUnknown {
		out.Doubts = append(out.Doubts, "overlap is not known and counts as none, and that errs high: write [[motor]] on the card and the table's diameter")
	}
	if l.overlap.high == 0 && l.guard.high == 0 {
		out.Doubts = append(out.Doubts, "no loss by mounting, arms or guards is stated, and that errs high: write guard or losses under [motors]")
	}
	if !q.Table.Air.Told {
		out.Doubts = append(out.Doubts, "the air on the stand was not told: thin air at the pad is not in the sum, and that errs high")
	}
	if v := out.Lines[1].Mid / s.volts; v > 1.25 || v < 0.8 {
		out.Doubts = append(out.Doubts, fmt.Sprintf("the stand ran at %.1f V and the packs have %.1f V: run it on the craft's own packs", s.volts, out.Lines[1].Mid))
	}
	if s.top.Output < fullOutput {
		out.Doubts = append(out.Doubts, fmt.Sprintf("the table ends at %.0f %% of output: the rest is drawn on, and measured propellers lift up to 11 %% less there than is likely", 100*s.top.Output))
	}
	if s.clean > 0 {
		out.Doubts = append(out.Doubts, "the propeller left its own law on the stand: no thrust beyond its last sound row is counted")
	}
}
