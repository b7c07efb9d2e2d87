package rules

import (
	"slices"
	"time"
)

// Form is the form of a rule.
type Form uint8

// The forms. In the file each is the key that holds the limit.
const (
	Above         Form = iota + 1 // the value may not be above the limit
	Below                         // the value may not be below the limit
	Outside                       // the value may not leave [Low, High]
	RisingFaster                  // the value may not rise faster than the limit
	FallingFaster                 // the value may not fall faster than the limit
	Is                            // the value may not be this one
	IsNot                         // the value may not be any but this one
)

// Phase states while what a rule counts.
type Phase uint8

// The phases. Unknown counts as armed and as airborne.
const (
	Always Phase = iota
	Armed
	Airborne
)

// Stop states what a rule does.
type Stop uint8

// The stops.
const (
	// NoStop: caution only, logged and shown.
	NoStop Stop = iota
	// Controlled: IEC 60204-1 stop category 1. Sound "bring it down"; power
	// off when down or when the grace time ends.
	Controlled
	// Immediate: IEC 60204-1 stop category 0. Power off now.
	Immediate
)

// String is the stop as it stands in the file.
func (s Stop) String() string {
	switch s {
	case Controlled:
		return "controlled"
	case Immediate:
		return "immediate"
	}
	return "none"
}

// WhenMissing states what a missing channel does to its rule.
type WhenMissing uint8

// What missing may mean.
const (
	// MissingTrips: missing is violating. The default.
	MissingTrips WhenMissing = iota
	// MissingCautions: the user chose to be warned only; check says so.
	MissingCautions
)

// Rule is one limit on one channel. Values are in the SI unit of the channel's
// kind (of its rate for RisingFaster and FallingFaster); Unit is the unit that
// the user wrote, for people.
type Rule struct {
	Name  string
	Watch ChannelID
	Form  Form
	// Limit is the one limit; for Outside it is the low one and LimitHigh the
	// high one.
	Limit, LimitHigh float64
	// HasCaution reports whether Caution (and CautionHigh for Outside) is set.
	HasCaution           bool
	Caution, CautionHigh float64
	Unit                 string
	// Lasting is the on-delay: how long the value must stay past the limit.
	Lasting time.Duration
	// Over is the span over which RisingFaster and FallingFaster take the
	// slope.
	Over time.Duration
	// Deadband is how far inside the limit a value must come back before the
	// violation is over; at least 0, in the unit of the limit.
	Deadband float64
	// DeadbandWritten reports whether the file states the deadband; else it follows
	// the limit.
	DeadbandWritten bool
	// StaleAfter is the age at which this rule takes its channel for missing.
	StaleAfter time.Duration
	// FrozenAfter is the channel's, unless the rule sets its own; 0 is off.
	FrozenAfter int
	WhenMissing WhenMissing
	While       Phase
	Stop        Stop
	// Grace is the time that a controlled stop leaves to bring the craft down.
	Grace time.Duration
	// MissingStop is the stop when the channel is missing and MissingGrace its
	// grace; see missingStop in missing.go.
	MissingStop  Stop
	MissingGrace time.Duration
	// Line is the line of the [[rule]] header in the file.
	Line int
}

// Permissive is one condition for starting. Its form says what must be so, not
// what must not: below = "15 mph" reads "must be 15 mph or less to start", is =
// true "must be true to start". The forms are Above, Below, Outside, Is and
// IsNot. A missing value does not satisfy it.
type Permissive struct {
	Name             string
	Watch            ChannelID
	Form             Form
	Limit, LimitHigh float64
	Unit             string
	StaleAfter       time.Duration
	Line             int
}

// Tether is what the envelope says of the tether, so that limits can be judged.
// Zero means not stated.
type Tether struct {
	BreakingStrength float64 // N, of the new rope without a knot
	// Knot and Age are the shares of it that a knot and wear leave.
	Knot, Age    float64
	DesignFactor float64
	Length       float64 // m
	// Slow is how it gives to a slow pull, Fast to a snatch.
	Slow, Fast Stretch
	// The working loads of what it hangs by, N.
	Shackle, Anchor, Attachment, LoadCell float64
	Tending                               string // how the rope is tended, in the crew's words
}

// Stretch is how much a line gives, a fraction of its length, at a pull in N.
type Stretch struct{ Share, At float64 }

// Absence is one row of [without]: a channel the pad does not have, and why
// that is accepted.
type Absence struct {
	Channel ChannelID
	Reason  string
	Line    int
}

// Envelope is the day's limits as read.
type Envelope struct {
	Version     int
	Title       string
	Changed     string
	ApprovedBy  string
	Units       string // "metric" or "imperial"
	Tether      Tether
	Rules       []Rule
	Permissives []Permissive
	Without     []Absence
	// Hash is the SHA-256 of the file's bytes.
	Hash [32]byte
}

// Watches reports whether a rule or a permissive of the envelope watches id.
func (e *Envelope) Watches(id ChannelID) bool {
	return slices.ContainsFunc(e.Rules, func(r Rule) bool { return r.Watch == id }) ||
		slices.ContainsFunc(e.Permissives, func(p Permissive) bool { return p.Watch == id })
}
