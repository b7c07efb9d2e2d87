package card

import (
	"strings"
	"time"

	"downhaul/rules"
)

// Card is a test card. Values are SI.
type Card struct {
	Version int
	Title   string
	Units   string // "metric" or "imperial", for people
	Craft   Craft
	Motors  Motors
	Air     Air // at the pad; counts where the crew declared none
	Packs   []Pack
	Steps   []Step
	// Modes names flight modes by the number that the autopilot tells in HEARTBEAT.custom_mode.
	Modes []Mode
	// Hash is the SHA-256 of the file's bytes.
	Hash [32]byte
}

// Craft is the craft without ballast.
type Craft struct {
	Name string
	// Mass is the mass ready to fly, kg.
	Mass float64
	// Structure is the part of Mass that is not packs, kg; 0 is not stated.
	Structure float64
	// Radius is from the middle to the outermost blade tip, m; 0 is not stated.
	Radius float64
	// BladeThrow is how far a blade that comes loose is reckoned to reach, m; 0 is not stated.
	BladeThrow float64
	// Lowering is how fast the craft comes down when it is brought down, m/s; 0 is not stated.
	Lowering float64
	// AfterCrash is how long the crew keeps out once power went off in the air; 0 asks nothing.
	AfterCrash time.Duration
}

// Motors is what lifts the craft. Count 0 is not stated.
type Motors struct {
	Count int
	// Line is where Count stands in the file.
	Line int
	// Thrust is the static thrust of each motor, N; 0 is not stated. Where the
	// rig gave it, it is reading times lever.
	Thrust float64
	// LossLow and LossHigh are what mounting, wakes, ducts and heat take of
	// the static thrust, as shares; HasLosses reports whether they are stated.
	LossLow, LossHigh float64
	HasLosses         bool
	// Table is the file of the stand's table, from the card's own folder, empty for none;
	// TableHash is the SHA-256 of its bytes.
	Table     string
	TableHash [32]byte
	// Configuration names what stands around the rotors, such as "old net"; empty for none.
	Configuration string
	// What guards or nets alone take, as shares, and their mass, kg; 0 is not stated.
	GuardLow, GuardHigh, GuardMass float64
	HasGuard                       bool
	// Current is what all motors draw together at full thrust, A; 0 is not stated.
	Current float64
	Rig     Rig
	// Places is where each motor stands; empty is not stated.
	Places []Place
}

// Rig is how a thrust was measured with a lever and a scale.
type Rig struct {
	Measured bool
	// Reading is what the scale showed, N; Lever is thrust over reading.
	Reading, Lever float64
	Volts          float64 // at the motor while it ran
	// CleanTo is the thrust up to which it ran without stumbling, shaking or
	// overheating, N; 0 is not stated.
	CleanTo  float64
	Air      Air // in which it was measured
	Date, By string
}

// Spin is which way a rotor turns, seen from above.
type Spin string

// The spins.
const (
	Clockwise        Spin = "cw"
	CounterClockwise Spin = "ccw"
)

// Place is where one motor stands, in m from the middle of the craft; Number is its output, from 1.
type Place struct {
	Number       int
	Ahead, Right float64
	Spin         Spin
	Line         int
}

// Pack is one pack of the set.
type Pack struct {
	Name     string
	Cells    int
	Capacity float64 // C; 0 is not stated
	Mass     float64 // kg; 0 is not stated
	// Resistance is of the whole pack with its leads, Ω; 0 is not stated.
	Resistance float64
	Line       int
}

// Mode is one flight mode of the autopilot.
type Mode struct {
	Number uint32
	Name   string
}

// Kind is what a step is.
type Kind uint8

// The kinds of step.
const (
	// Flight is a tethered flight with the step's ballast.
	Flight Kind = iota
	// Ground is done without leaving the ground, its result told as passed.
	Ground
	// Inspection has a typed value that is held against a limit.
	Inspection
)

// kinds are they as they stand in the file.
var kinds = map[string]Kind{"ground": Ground, "stand": Ground, "inspection": Inspection}

// Step is one step of the card.
type Step struct {
	Name string
	Kind Kind
	// How states what is done, in the crew's words.
	How string
	// Ballast is added to the craft's mass, kg; 0 for what does not fly.
	Ballast float64
	// Needs names earlier steps, as the card spells them, that must be in
	// force. One that flew is in force once it was the step of a run.
	Needs []string
	// Also is what must be so besides, in the crew's words: shown, and for the crew to see to.
	Also  []string
	Shown Shown
	// Stand is what runs on the thrust stand in this step, nil in any other. Ground steps only.
	Stand *Stand
	// TieDownPull is what the load cell in the tie-down never reads less than
	// while it holds, N; 0 without one there. Ground steps only.
	TieDownPull float64
	// Envelope is the file of the step's own limits, from the card's own folder; empty for those of
	// the day. EnvelopeHash is the SHA-256 of its bytes.
	Envelope     string
	EnvelopeHash [32]byte
	Limit        Limit
	// Measured reports whether nobody tells the result: it is that of the check of the
	// tilt response, kept on record. Ground steps only.
	Measured bool
	// Stopping reports whether the step is the stop test: openings under the guard, each
	// of which goes on record, prove it and nobody's word. TieDown and Anchor are
	// what holds the craft meanwhile, N.
	Stopping        bool
	TieDown, Anchor float64
	// Output is the highest motor output that a flight needs, a share: the stop
	// must have been measured from there. Where the file states none it is 1.
	Output float64
	// Lasts is how long a result stays in force; 0 is for good. Every is how much time with
	// power on it stays so; 0 asks nothing. Inspections only.
	Lasts, Every time.Duration
	// ConfirmedBy is how many persons must give their initials to the step once it is
	// declared; 0 is none. No inspections.
	ConfirmedBy int
	// BallastWithin is how far the ballast, which must be weighed then, may be from what the
	// card states, kg; 0 asks for no weighing. Flights only.
	BallastWithin float64
	Line          int
}

// Shown is what must have been shown before a flight step.
type Shown struct {
	Hover      time.Duration // steady hover, 0 is not asked
	NoTrips    bool          // no trip in the last step that flew
	HasReserve bool
	Reserve    float64 // share of lift to spare in the last report
	HasWind    bool
	Wind       float64 // m/s, at most
	WindUnit   string
	// Packs names those that may fly; empty asks nothing.
	Packs []string
}

// Form is how an inspection's value is held against its limit.
type Form uint8

// The forms.
const (
	// Passes: the answer is "pass" or "fail". Ground steps have it too.
	Passes Form = iota
	AtLeast
	AtMost
)

// Limit is what an inspection's value must keep.
type Limit struct {
	Form Form
	// Kind, Value and Unit are of AtLeast and AtMost.
	Kind  rules.Kind
	Value float64
	Unit  string
	// Pass states what "pass" means.
	Pass string
}

// Step finds a step by name, whatever the case of its letters.
func (c *Card) Step(name string) (*Step, bool) {
	if i := c.index(name); i >= 0 {
		return &c.Steps[i], true
	}
	return nil, false
}

// Pack finds a pack by name, whatever the case of its letters.
func (c *Card) Pack(name string) (*Pack, bool) {
	for i := range c.Packs {
		if strings.EqualFold(c.Packs[i].Name, name) {
			return &c.Packs[i], true
		}
	}
	return nil, false
}

// Show is a value in the card's own units.
func (c *Card) Show(v float64, k rules.Kind) string {
	return rules.Format(v, rules.DefaultUnit(k, c.Units))
}
