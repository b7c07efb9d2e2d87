package lift

import "downhaul/rules/card"

// Series is one quantity over time: T in seconds, ascending, on one clock for
// all series of a run; V in SI. Both have the same length. Leave out what was
// missing or doubtful.
type Series struct {
	T, V []float64
}

// Run is one flight, or one attempt at one, at one load: from a start to its
// end. What was not measured stays empty.
type Run struct {
	Name string // for the reader: session, number, step
	Step string // the card step that was declared
	// Configuration names what stands around the rotors, as the card said then; empty for
	// none.
	Configuration string
	// Mass is that of craft and ballast together, kg, from the card and the
	// declared step. A wrong mass is found by nobody here.
	Mass float64
	// Air is that at the pad. Where nobody told that of any run, the density is taken as
	// the same for all, and the next flight's as unsure by a few percent.
	Air card.Air
	// Outputs are the motors' commands, a series for each motor, 0 to 1.
	Outputs []Series
	// Speeds are the rotors' speeds, rev/s, a series for each motor in the order
	// of Outputs; nil where nobody told them.
	Speeds  []Series
	Voltage Series // V of the pack under load
	Current Series // A of all packs together
	Height  Series // m of the feet above the pad
	Climb   Series // m/s
	Tilt    Series // rad
	Tension Series // N at the anchor
	Slant   Series // m from the anchor to the craft
	Armed   Series // 0 or 1
	Landed  Series // 0 or 1, as the craft says
}

// Craft is what does not change from run to run.
type Craft struct {
	Motors int
	// Width is from rotor tip to rotor tip, m: what ground effect is judged by.
	Width float64
	// RotorHeight is that of the rotors above the feet, m.
	RotorHeight float64
	// CleanThrust is the most thrust of one motor that was seen to run clean on
	// the stand, N; lift is never forecast beyond it. 0 is not stated.
	CleanThrust float64
	Cells       int // in series
	Packs       int // in parallel; 0 counts as 1
}

// Step is a load that may be tried next.
type Step struct {
	Name    string
	Mass    float64 // kg, craft and ballast together
	Ballast float64 // kg of it that is ballast, for the reader
}

// Question is what is asked of the runs.
type Question struct {
	Craft Craft
	// Next are the steps to forecast, the very next one first.
	Next []Step
	// Reserve is the lift required beyond the weight, as a share of it; 0 takes
	// recipe.Reserve.
	Reserve float64
	// Floor is the loaded pack voltage below which it must land, V.
	Floor float64
	// HoverTime is how long the next hover is to last, s; 0 takes that of the recipe.
	HoverTime float64
	// Resting is the pack's voltage at rest before the next flight, V; 0 takes
	// that of the newest run.
	Resting float64
	// Air is that of the next flight; not Told takes the newest that was told of a run.
	Air card.Air
	// Stand is the table of one motor; nil is none. The flights bring it to scale.
	Stand *Stand
	// Configuration is that of the craft as it is now.
	Configuration string
	// Guard is that of the craft; nil is not stated.
	Guard *Guard
	// WhatIf changes the craft before anything is bought.
	WhatIf WhatIf
}

// WhatIf is a set of changes to the craft. The zero value changes nothing.
type WhatIf struct {
	Text       string  `json:"text,omitempty"`    // as it was asked
	Motors     int     `json:"motors,omitempty"`  // how many, like those fitted
	Cells      int     `json:"cells,omitempty"`   // in series
	Packs      int     `json:"packs,omitempty"`   // in parallel
	Mass       float64 `json:"mass_kg,omitempty"` // added to every step
	Thrust     float64 `json:"thrust_share,omitempty"`
	ThrustN    float64 `json:"thrust_per_motor_n,omitempty"` // more from each motor at full output
	Resistance float64 `json:"resistance_share,omitempty"`   // −0.2 is a fifth less
	Celsius    float64 `json:"air_c,omitempty"`
	HasCelsius bool    `json:"-"`
	// Table is the file of another propeller's table, Stand what it says; GuardOff takes
	// the guard off, its mass and what it takes of the thrust.
	Table    string `json:"table,omitempty"`
	Stand    *Stand `json:"-"`
	GuardOff bool   `json:"guard_off,omitempty"`
}

// Guard is what guards or nets take: from Low to High of the thrust (shares), and Mass, kg.
type Guard struct{ Low, High, Mass float64 }
