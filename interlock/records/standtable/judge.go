package standtable

import (
	"fmt"
	"math"
	"slices"

	"downhaul/interlock/model/air"
)

const (
	// densest is air at -30 °C and 1050 hPa, kg/m³: where a table does not tell its air,
	// no row is refused for what such air could have given.
	densest = 1.504
	// goodMerit and poorMerit bound the figure of merit, of the electric power, of a table's
	// best row. Above: 26 measured tables of 5 to 15 inch propellers reach 0.42 to 0.57, and
	// a very good large propeller (0.8) on a very good motor (0.9) 0.72. Below: half the
	// thrust of those 26 gives 0.15 to 0.20. Ours.
	goodMerit, poorMerit = 0.8, 0.26
	// poorFrom is the output that a table must reach to be called poor: at low output most
	// of the power turns the motor.
	poorFrom = 0.6
	// fastest is the tip speed as a share of the speed of sound above which thrust leaves
	// the square of rpm and noise grows steeply (from memory).
	fastest = 0.75
	// offLaw is the least by which the coefficient of thrust must leave what the rows below
	// show, as a share; and it must be offSpreads of its own spread. Measured propellers
	// without a fault move by up to 3 % from step to step.
	offLaw, offSpreads = 0.045, 3.0
	// leastLoad is the share of the highest speed from which the law is looked at: an
	// idling motor's thrust is within the cell's own drift.
	leastLoad = 0.4
	// gaveWay is the share of the voltage by which a row must lie below the line of the
	// rows with less current, and at least gaveScatter times their scatter.
	gaveWay, gaveScatter = 0.02, 4.0
	// spreadJump is how many times the median spread of the rows below a row's own must
	// be, and leastJump the least of it as a share of the thrust, to be a flutter.
	spreadJump, leastJump = 3.0, 0.03
	// steadyShare is the least difference between two rows at one output that is told.
	steadyShare = 0.03
	// powerOff is how far power may be from volts times amperes, as a share.
	powerOff = 0.1
)

// Code names what was found, for scripts.
type Code string

// The codes.
const (
	BeatsTheory Code = "beats momentum theory"
	TooGood     Code = "too good"
	TooPoor     Code = "too poor"
	OffLaw      Code = "off its own law"
	Jumps       Code = "spread jumps"
	GivesWay    Code = "supply gives way"
	NotSteady   Code = "not steady"
	Fast        Code = "tip speed"
	WrongPower  Code = "power"
	Untold      Code = "not known"
)

// Finding is one thing that the rows show.
type Finding struct {
	Code Code `json:"code"`
	// Line is the row's in the file, 0 the whole table.
	Line int `json:"line"`
	// Refused: the row, or where Line is 0 the table, counts for nothing.
	Refused bool `json:"refused"`
	// Stop: the motor must not be run there again.
	Stop bool   `json:"stop"`
	Text string `json:"text"`
	Mend string `json:"mend,omitempty"`
}

// Judged is what one row comes to.
type Judged struct {
	Line int `json:"line"`
	// Merit is the induced power of momentum theory over the electric power, T^1.5/√(2ρA)/P,
	// so the motor's and the controller's losses are in it; 0 without a diameter.
	Merit float64 `json:"figure_of_merit"`
	// Coefficient is T/(ρ·n²), m⁴; 0 without speed.
	Coefficient float64 `json:"thrust_coefficient_m4"`
	// Tip is the blade tips' speed, m/s, TipShare that over the speed of sound.
	Tip      float64 `json:"tip_speed_m_s"`
	TipShare float64 `json:"tip_share_of_sound"`
}

// Judgement is what the rows of a table say of themselves.
type Judgement struct {
	Rows     []Judged  `json:"rows"`
	Findings []Finding `json:"findings"`
	// Resistance is the supply's, Ω, by the rows below the one where it gave way; 0 is
	// not known. WeakFrom is the current at which it gave way, A, 0 where it did not.
	Resistance float64 `json:"supply_resistance_ohm"`
	WeakFrom   float64 `json:"supply_gives_way_a"`
	density    float64
}

// Refused reports whether the table counts for nothing.
func (j *Judgement) Refused() bool {
	return slices.ContainsFunc(j.Findings, func(f Finding) bool { return f.Refused })
}

func (j *Judgement) found(c Code, line int, refused bool, mend, format string, args ...any) {
	j.Findings = append(j.Findings, Finding{Code: c, Line: line, Refused: refused, Text: fmt.Sprintf(format, args...), Mend: mend})
}

// stops has the last finding say that the motor must not be run there again.
func (j *Judgement) stops() { j.Findings[len(j.Findings)-1].Stop = true }

// Density is the air's in which the table was measured, kg/m³, that at sea level where
// nobody told it.
func (t *Table) Density() float64 {
	if !t.Air.Told {
		return air.Sea
	}
	return air.Density(t.Air)
}

// Judge looks at the rows of a table.
func Judge(t *Table) Judgement {
	j := Judgement{Findings: []Finding{}, density: t.Density()}
	for i := range t.Rows {
		j.Rows = append(j.Rows, t.judged(&t.Rows[i], j.density))
	}
	j.momentum(t)
	j.power(t)
	j.tips(t)
	j.supply(t)
	j.law(t)
	j.spreads(t)
	j.steady(t)
	slices.SortStableFunc(j.Findings, func(a, b Finding) int { return a.Line - b.Line })
	return j
}

func (t *Table) disc() float64 { return math.Pi * t.Diameter * t.Diameter / 4 }

func (t *Table) judged(r *Row, rho float64) Judged {
	out := Judged{Line: r.Line}
	if t.Diameter > 0 && r.Power.Value > 0 {
		out.Merit = math.Pow(r.Thrust.Value, 1.5) / math.Sqrt(2*rho*t.disc()) / r.Power.Value
	}
	if r.Speed.Told {
		out.Coefficient = r.Thrust.Value / (rho * r.Speed.Value * r.Speed.Value)
		out.Tip = math.Pi * t.Diameter * r.Speed.Value
		celsius := 15.0
		if t.Air.Told {
			celsius = t.Air.Celsius
		}
		out.TipShare = out.Tip / air.Sound(celsius)
	}
	return out
}

const wrongLever = "look at lever (thrust is reading times lever), at the units of thrust (gf, lbf, N) and power, and at the diameter"

// momentum holds every row against T ≤ (2·ρ·A)^⅓·P^⅔ (momentum theory; see Merit), and
// the best of them against what measured propellers reach.
func (j *Judgement) momentum(t *Table) {
	if t.Diameter == 0 {
		j.found(Untold, 0, false, "write it in the head: # diameter = 15 in",
			"no diameter: a wrong lever or unit cannot be told by momentum theory, and there is no figure of merit")
		return
	}
	most := 1.0
	if !t.Air.Told {
		most = math.Sqrt(densest / j.density)
	}
	best, beats, reach := -1, false, 0.0
	for i, row := range j.Rows {
		reach = max(reach, t.Rows[i].Output.Value)
		if row.Merit > most {
			r := &t.Rows[i]
			beats = true
			j.found(BeatsTheory, r.Line, true, wrongLever,
				"%.1f W cannot give %.3g N on a propeller of %.3g m: momentum theory allows %.3g N to a perfect motor and propeller. The lever or a unit is wrong",
				r.Power.Value, r.Thrust.Value, t.Diameter, math.Cbrt(2*j.density*t.disc())*math.Cbrt(r.Power.Value*r.Power.Value))
		}
		if best < 0 || row.Merit > j.Rows[best].Merit {
			best = i
		}
	}
	merit := j.Rows[best].Merit
	switch {
	case beats:
	case merit > goodMerit:
		j.found(TooGood, 0, true, wrongLever, "the best figure of merit is %.2f, motor and controller included: the best that were measured stay below %.2f. The lever or a unit is wrong", merit, goodMerit)
	case merit < poorMerit && (reach == 0 || reach >= poorFrom):
		j.found(TooPoor, 0, false, wrongLever, "the best figure of merit is only %.2f: measured propellers reach 0.4 and more. Half the thrust, or lbf read as N or kgf as lbf, looks like that: the sum counts too little then", merit)
	}
}

func (j *Judgement) power(t *Table) {
	for i := range t.Rows {
		r := &t.Rows[i]
		by := r.Voltage.Value * r.Current.Value
		if by > 0 && math.Abs(r.Power.Value/by-1) > powerOff {
			j.found(WrongPower, r.Line, false, "write the electric power, volts times amperes, or leave the column out",
				"%.4g W, and %.4g V times %.4g A is %.4g W", r.Power.Value, r.Voltage.Value, r.Current.Value, by)
		}
	}
}

func (j *Judgement) tips(t *Table) {
	for i, row := range j.Rows {
		r := &t.Rows[i]
		if !r.Speed.Told {
			continue
		}
		switch {
		case t.MaxSpeed > 0 && r.Speed.Value > t.MaxSpeed:
			j.found(Fast, r.Line, false, "never run it there again: it may burst", "%.0f rpm is past the maker's %.0f rpm", 60*r.Speed.Value, 60*t.MaxSpeed)
			j.stops()
		case row.TipShare > 1:
			j.found(Fast, r.Line, true, "look at the diameter, and whether the controller told electrical turns: those over the pole pairs are the rotor's",
				"the tips would be faster than sound (%.0f m/s at %.0f rpm)", row.Tip, 60*r.Speed.Value)
		case row.TipShare > fastest:
			j.found(Fast, r.Line, false, "stay below it", "the tips are at %.0f %% of the speed of sound", 100*row.TipShare)
		}
	}
}
