package lift

import (
	"downhaul/interlock/model/air"
	"downhaul/rules/card"
)

// Schema is the version of the forecast's JSON.
const Schema = 1

// Verdict is the answer for one step. It concerns the next uncrewed step only.
type Verdict string

// concerns stands in every forecast.
const concerns = "the next uncrewed step only, never a person"

// The verdicts.
const (
	Go     Verdict = "go"
	NotYet Verdict = "not yet" // fly what Settle says first
	No     Verdict = "no"
	// Withheld: whatever the numbers say, something that they know nothing of
	// stands in the way.
	Withheld Verdict = "withheld"
)

// Estimate is a value with its 95 % interval, SI.
type Estimate struct {
	Mid  float64 `json:"mid"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Forecast is the whole answer.
type Forecast struct {
	Schema int `json:"schema_version"`
	// Verdict is that of the very next step; empty when none was named.
	Verdict Verdict `json:"verdict,omitempty"`
	// Concerns states what a go is about.
	Concerns string `json:"concerns"`
	// Points are the hovers, pulls and attempts that the forecast rests on.
	Points []Point `json:"points"`
	// Unused states what was left out, and why.
	Unused []string `json:"unused,omitempty"`
	// Refused is why there are no numbers; empty when there are.
	Refused string `json:"refused,omitempty"`
	// Settle is the flight that would settle it.
	Settle string       `json:"settle,omitempty"`
	Fit    *FitReport   `json:"fit,omitempty"`
	Stand  *StandReport `json:"stand,omitempty"` // nil without a table
	// Changes are what other configurations lifted against this one.
	Changes []Change       `json:"configurations,omitempty"`
	Pack    *PackReport    `json:"pack,omitempty"`
	Air     *AirReport     `json:"air,omitempty"` // of the next flight; nil where it was not told
	Next    []StepForecast `json:"next"`
	WhatIf  *WhatIf        `json:"what_if,omitempty"`
	Needed  Requirement    `json:"required"`
	Cannot  []string       `json:"cannot_see"` // what this forecast does not know
	Rules   []string       `json:"criteria"`   // what counted as a hover, in words
}

// Requirement is what a step has to meet.
type Requirement struct {
	Reserve   float64 `json:"reserve_share"`
	Floor     float64 `json:"floor_v"`
	HoverTime float64 `json:"hover_time_s"`
	Confident float64 `json:"confidence"` // 0.95
}

// StepForecast is the forecast for one step. Numbers stand at 0 where Refused
// of the forecast or of the step says why there are none.
type StepForecast struct {
	Name    string  `json:"name"`
	Mass    float64 `json:"mass_kg"`
	Ballast float64 `json:"ballast_kg"`
	Weight  float64 `json:"weight_n"`
	// Numbers reports whether the estimates below are there.
	Numbers bool `json:"numbers"`
	// Output is the mean output in the hover, Worst that of the hardest working
	// motor, Headroom what that one has left.
	Output   Estimate `json:"output"`
	Worst    Estimate `json:"worst_motor_output"`
	Headroom Estimate `json:"worst_motor_headroom"`
	Current  Estimate `json:"current_a"`
	Voltage  Estimate `json:"voltage_v"` // under that current, at the start
	Sag      Estimate `json:"sag_v"`
	// EndVoltage is the loaded voltage when the hover time is over.
	EndVoltage Estimate `json:"end_voltage_v"`
	// Lift is the most thrust, at the end of the hover, when the hardest working
	// motor is at full output; LiftVoltage and LiftCurrent what the pack then
	// gives. Where the supply was not seen to carry that current (Shown false),
	// Lift and Reserve are bounded by what it is trusted with.
	Lift        Estimate `json:"lift_n"`
	LiftVoltage Estimate `json:"lift_voltage_v"`
	LiftCurrent Estimate `json:"lift_current_a"`
	// Reserve is Lift over the weight, less one.
	Reserve Estimate `json:"reserve_share"`
	// Endurance is the time from the start to the floor.
	Endurance Estimate `json:"endurance_s"`
	// NeedCurrent is the current at the required reserve.
	NeedCurrent Estimate `json:"need_current_a"`
	// Shown reports whether the supply was seen to carry full output's current, or
	// nearly. Without that there is no go: a supply with a limit gives less
	// thrust at full output than below it.
	Shown bool `json:"supply_shown"`

	Verdict Verdict `json:"verdict"`
	Reason  string  `json:"reason"` // one sentence, SI units; Text writes it in the user's
	Settle  string  `json:"settle,omitempty"`
	Take    *Take   `json:"take,omitempty"`

	why      reason
	absurd   bool     // what was given makes no numbers
	canHover float64  // share of the draws that hover
	free     Estimate // the reserve if the supply carries full output
}

// Take is what would bring the required reserve, each by itself. 0 means that it
// cannot.
type Take struct {
	// LargestMass is the most the craft may weigh, kg; LargestBallast that less
	// the craft.
	LargestMass    float64 `json:"largest_mass_kg"`
	LargestBallast float64 `json:"largest_ballast_kg"`
	MassOff        float64 `json:"mass_off_kg"`
	MorePerMotor   float64 `json:"more_thrust_per_motor_n"`
	LessSag        float64 `json:"less_sag_v"`
}

// FitReport states how well the law of thrust is known.
type FitReport struct {
	// Against is "output" or "rotor speed".
	Against string `json:"against"`
	Hovers  int    `json:"hovers"`
	Steps   int    `json:"steps"`
	// Freedom is the degrees of freedom of the scatter: hovers less two.
	Freedom int `json:"degrees_of_freedom"`
	// Scatter is the scatter of one hover about the law, in thrust, as a share.
	Scatter float64 `json:"scatter_share"`
	// T is Student's t for that freedom at 95 %.
	T float64 `json:"student_t"`
	// Heaviest is the largest thrust that was held in a hover, N; TopOutput the
	// output it took.
	Heaviest  float64 `json:"heaviest_n"`
	TopOutput float64 `json:"top_output"`
	// WorstRatio is the hardest working motor's output over the mean.
	WorstRatio float64 `json:"worst_motor_ratio"`
	// Assumes states what was taken beyond the heaviest load, and to which side that errs;
	// empty where that took full output.
	Assumes string `json:"assumes,omitempty"`
}

// beyondHeaviest stands beside a forecast of full output that no load took. The figure
// is of TestForecastsOfAnotherStand.
const beyondHeaviest = "beyond that load from none to a little more than all of the bend that the loads show is taken to go on; a craft whose thrust falls off faster there, on a weak pack or hot motors, lifts less: up to 11 % less than is likely on measured propellers, so lift and reserve err high. A full-output pull with a load cell measures it"

// fullOutput is the least output of a load beyond which nothing is left to assume.
const fullOutput = 0.95

// PackReport states how well the pack is known.
type PackReport struct {
	Resistance Estimate `json:"resistance_ohm"`
	// Slow is what the slow part of the sag, settled, adds to it.
	Slow Estimate `json:"slow_resistance_ohm"`
	// StepResistance is that from quick steps of the load, 0 where there were
	// too few.
	StepResistance float64  `json:"step_resistance_ohm"`
	Steps          int      `json:"load_steps"`
	Resting        Estimate `json:"resting_v"`
	// PerCharge is the fall of the resting voltage with charge drawn.
	PerCharge Estimate `json:"fall_v_per_c"`
	// ShownCurrent is the largest current the supply was seen to carry without
	// giving way.
	ShownCurrent float64 `json:"shown_current_a"`
	// Collapse is the current at which the supply gave way, 0 where it did not.
	Collapse float64 `json:"collapse_current_a,omitempty"`
	Deepest  float64 `json:"deepest_charge_c"`
	Runs     int     `json:"runs"`
}

// AirReport is the air of the next flight. Density is reckoned dry, which errs high.
type AirReport struct {
	Celsius  float64 `json:"temperature_c"`
	Pressure float64 `json:"pressure_pa"`
	Density  float64 `json:"density_kg_m3"`
}

// Says returns it for people, in the units of the system, with the side to which it errs.
func (r *AirReport) Says(system string) string {
	a := card.Air{Celsius: r.Celsius, Pressure: r.Pressure, Told: true}
	return "air: " + air.Says(a, system) + "; thrust at one output goes with it; humidity is left out, and air that is damper than in the flights takes up to 1.6 % of the lift at 30 °C (86 °F), so lift errs high by that"
}

// Kind states what a point is evidence of.
type Kind string

// The kinds of points.
const (
	Hover   Kind = "hover"   // thrust was the weight
	Pull    Kind = "pull"    // thrust was the weight and the tether's pull
	Attempt Kind = "attempt" // full output, and it stayed on the ground: thrust was less
)

// Point is one stretch, one piece of evidence: means over it, SI.
type Point struct {
	Kind    Kind    `json:"kind"`
	Run     string  `json:"run"`
	Step    string  `json:"step"`
	From    float64 `json:"from_s"`
	To      float64 `json:"to_s"`
	Mass    float64 `json:"mass_kg"`
	Thrust  float64 `json:"thrust_n"`     // all motors together; of an attempt, what it did not reach
	Unsure  float64 `json:"unsure_share"` // of Thrust: tether angle, ground effect
	Output  float64 `json:"output"`       // root mean square over motors and time
	Worst   float64 `json:"worst_ratio"`
	Speed   float64 `json:"speed_hz"` // root mean square; 0 where unknown
	Voltage float64 `json:"voltage_v"`
	Current float64 `json:"current_a"` // 0 where unknown
	Density float64 `json:"density_kg_m3"`
	Height  float64 `json:"height_m"`
	Pulled  float64 `json:"tether_pull_n"`
	Scatter float64 `json:"scatter_share"` // standard error of output × voltage over the stretch
	Motors  int     `json:"motors"`

	seconds float64 // how long it lasted, without gaps
	blind   bool    // no load cell told the tether's pull
}
