package rules

import "time"

// Quality states how far a value can be trusted.
type Quality uint8

// The qualities. The zero value is Missing, so that a forgotten field is safe.
const (
	// Missing: there is no value. Never compare it with a limit.
	Missing Quality = iota
	// Doubtful: there is a value that may count against a limit, but never
	// clears a violation and never keeps a channel fresh.
	Doubtful
	// Good: the value counts.
	Good
)

// Cause is why a value is not Good.
type Cause uint8

// The causes.
const (
	NoCause       Cause = iota
	NeverHeard          // no sample yet
	Sentinel            // the sender said "unknown"
	NotANumber          // NaN or infinite
	Implausible         // outside the range of the channel
	Stale               // too old
	Frozen              // the same bits too often
	WholePack           // cell 0 holds the whole pack, so no cell is known
	NotFilled           // the averaging window is not full yet
	Disagreement        // sources or checks disagree
	Unhealthy           // the estimator says of itself that it is not healthy
	Saturated           // at the end of the converter's range
	SensorFailed        // the read itself failed
	OutOfRange          // the field's own range was passed (rolled over)
	InputMissing        // an input of a derived channel is missing
	HomeMoved           // the reference of the height moved
	NotIdentified       // not enough movement to tell (a fit without steps)
	HealthUnknown       // the estimator no longer says whether it is healthy
	WireCut             // the supervised wire of the sensor is cut
	MayBeCut            // no pulse for some seconds: a calm, or a cut wire
	SilentLong          // the same for a minute
	ClimbAgainst        // the climb does not go with the height of the same sender
	GlobalFits          // the same, and that of GLOBAL_POSITION_INT does
	LocalFits           // that of LOCAL_POSITION_NED does
	HUDFits             // that of VFR_HUD does
	NoFullOutput        // nobody measured this craft's full output
	TooSlow             // voltage and current come too seldom to tell a quick step of the load
)

const climbAgainst = "the climb runs against the craft's own height: this sender breaks the standard"

var causeText = [...]string{
	NoCause: "", NeverHeard: "never heard", Sentinel: "the sender says unknown",
	NotANumber: "not a number", Implausible: "implausible", Stale: "too old",
	Frozen: "frozen", WholePack: "only the whole pack is told, no single cell",
	NotFilled: "the averaging window is not full yet", Disagreement: "sources disagree",
	Unhealthy: "the craft's estimator is not healthy", Saturated: "at the end of the sensor's range",
	SensorFailed: "the sensor could not be read", OutOfRange: "past the range of the field",
	InputMissing: "something it is worked out from is missing", HomeMoved: "the craft's home moved",
	NotIdentified: "not enough change yet to tell",
	HealthUnknown: "the craft's estimator no longer says whether it is healthy",
	WireCut:       "the sensor's wire is cut", MayBeCut: "no pulse: a calm, or a cut wire",
	SilentLong:   "no pulse for a minute: a calm, or a cut wire",
	ClimbAgainst: climbAgainst, GlobalFits: climbAgainst + `; craft.climb.global fits (climb = "global" under [height])`,
	LocalFits:    climbAgainst + `; craft.climb.local fits (climb = "local" under [height])`,
	HUDFits:      climbAgainst + `; craft.climb.hud fits (climb = "hud" under [height])`,
	NoFullOutput: "this craft's pull at full output is not on record ([full_output] in the pad file); watch motor.highest or motor.headroom instead",
	TooSlow:      "voltage and current come more than 2.5 s apart, too seldom to tell",
}

// String is the cause in plain words, lower case, empty for NoCause.
func (c Cause) String() string {
	if int(c) < len(causeText) {
		return causeText[c]
	}
	return "unknown cause"
}

// Never is the instant that does not come: the deadline of a timer that is off.
const Never = time.Duration(1<<63 - 1)
