package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// Schema is the version of the report's JSON.
const Schema = 1

// Quantity is a value with its SI unit beside it. Nil stands for "not known".
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	shown string  // the unit that people read it in
	// stated is set of what stands in a file, room of the way to a limit.
	stated, room bool
	beside       [2]float64 // limits that a reading must be told from, 0 for none
}

// quantity is v in the SI unit of its kind, shown to people in a unit of theirs.
func quantity(v float64, k rules.Kind, shown string) *Quantity {
	return &Quantity{Value: v, Unit: rules.SIUnit(k), shown: shown}
}

func seconds(d time.Duration) *Quantity {
	return &Quantity{Value: d.Seconds(), Unit: "s", shown: "s"}
}

// String is the quantity for people.
func (q *Quantity) String() string {
	switch {
	case q == nil:
		return "not known"
	case q.room:
		return rounding.Headroom(q.Value, q.shown)
	case q.stated:
		return rules.Format(q.Value, q.shown)
	}
	return rules.Reading(q.Value, q.shown, q.beside[:]...)
}

// ToGo is a headroom for people: how far it was to the limit, or past it.
func (q *Quantity) ToGo() string {
	switch text := strings.TrimPrefix(q.String(), "-"); {
	case q.Value < 0 && text == rounding.AtLimit:
		return "just PAST IT"
	case q.Value < 0:
		return text + " PAST IT"
	case text == rounding.AtLimit:
		return text
	default:
		return text + " to go"
	}
}

// Known reports whether there is a value.
func (q *Quantity) Known() bool { return q != nil }

// Session is what one session's folder says.
type Session struct {
	Session  string    `json:"session"`
	Folder   string    `json:"folder"`
	Number   int       `json:"number"`
	Duty     string    `json:"duty"`
	Alone    bool      `json:"recording_alone"` // a recording and no session
	Mark     string    `json:"mark,omitempty"`  // of a rehearsal; see counted
	Began    time.Time `json:"began"`           // wall clock at engine time 0
	Clock    string    `json:"wall_clock"`
	Lasted   *Quantity `json:"lasted"`
	Ended    string    `json:"ended"`
	EndSays  string    `json:"ended_says"`
	CutShort bool      `json:"cut_short"`
	Envelope string    `json:"envelope"`
	Changed  string    `json:"envelope_changed,omitempty"`
	Approved string    `json:"envelope_approved_by,omitempty"`
	Pad      string    `json:"pad"`
	Card     string    `json:"card"`
	// Doubts is what is missing or doubtful of the whole session.
	Doubts []string `json:"doubts"`
	// NotRemoved is every time that power was not known to be removed.
	NotRemoved []NotRemoved `json:"power_not_removed"`
	// ChainFaults are the session's; ChainOpen is what of the chain holds the next
	// start back now.
	ChainFaults []ChainFault `json:"chain_faults"`
	ChainOpen   []string     `json:"chain_open"`
	Runs        []Run        `json:"runs"`
	// Trips stand by episode; the first of each is its first cause.
	Episodes []Episode `json:"episodes"`
	Unlisted int       `json:"unlisted"` // trips and cautions beyond those that are listed
	// Like has all trips of a guard that only watched, or of a recording, like ones together.
	Like     []LikeTrips `json:"like_trips"`
	Cautions []Caution   `json:"cautions"`
	// Spans has the cautions of one rule that came close together as one event.
	Spans    []Span    `json:"caution_spans"`
	Rules    []RuleRow `json:"rules"`
	Wind     Wind      `json:"wind"`
	Packs    []Pack    `json:"packs"`
	Link     Link      `json:"link"`
	Openings []Opening `json:"openings"`
	Said     []Said    `json:"said"`
	// Words are the craft's own, escaped; WordsMore counts those beyond the first 2,000.
	Words     []Words    `json:"craft_says"`
	WordsMore int        `json:"craft_says_unlisted,omitempty"`
	Declared  []Declared `json:"declared"`
	Proofs    []Proof    `json:"proof_tests"`
	Hazards   []Hazard   `json:"hazards"`
	Integrity Integrity  `json:"integrity"`

	Unseen []unseen.Item `json:"cannot_see"`

	defects []string // that hold the next start back

	charts charts
	env    *rules.Envelope
	units  string

	craft    string // of its card
	liftRuns []*lift.Run
	liftCard *card.Card
	liftPad  *pad.Pad
}

// NotRemoved is a time at which power was not known to be off the rotors.
type NotRemoved struct {
	At   *Quantity `json:"at"`
	Why  string    `json:"why"`
	Says string    `json:"says"`
}

// Run is one start to its end.
type Run struct {
	Number int    `json:"run"`
	Step   string `json:"step"` // declared; empty: none was
	// Ballast and Mass are those of the card's step; nil without one.
	Ballast    *Quantity `json:"ballast"`
	Mass       *Quantity `json:"mass"`
	Packs      []string  `json:"packs"`
	Begin      *Quantity `json:"begin"`
	Lasted     *Quantity `json:"lasted"`
	Ended      bool      `json:"ended"`
	How        string    `json:"how"` // in words
	FirstCause string    `json:"first_cause"`
	Trips      int       `json:"trips"`
	// Fault is the fault of the chain that ended it or came of its end; empty: none.
	Fault    string `json:"fault"`
	Cautions int    `json:"cautions"`
	// Highest, Gust, LowestVoltage and Tension are the extremes of the run.
	Highest *Quantity `json:"highest"`
	Gust    *Quantity `json:"highest_gust3s"`
	Lowest  *Quantity `json:"lowest_pack_voltage"`
	Pull    *Quantity `json:"highest_tension"`
	// Hover is the motor output in steady hover, by the criteria of the lift
	// section; nil where there was none, or the mass is not known.
	Hover  *Quantity `json:"hover_output"`
	Doubts []string  `json:"doubts"`

	begin, end time.Duration
	air        card.Air // declared before it, or the card's
	onGround   bool     // its step does not fly
}

// Episode is one first cause and what followed until the reset.
type Episode struct {
	Run   int    `json:"run"` // 0: outside any run
	Trips []Trip `json:"trips"`
	// Follows is what the latch did from the first cause on, in words.
	Follows []Followed `json:"follows"`
	From    *Quantity  `json:"window_from"`
	To      *Quantity  `json:"window_to"`

	from, to time.Duration
	over     time.Duration // the reset, rules.Never before one
	panels   []panel
}

// Followed is one thing that came after a first cause.
type Followed struct {
	At   *Quantity `json:"at"`
	Says string    `json:"says"`
}

// Trip is one stop that became due.
type Trip struct {
	Session string    `json:"session"`
	Number  uint32    `json:"number"`
	At      *Quantity `json:"at"`
	UTC     time.Time `json:"utc"`
	// Flash is how long before it the lamp had flashed for FlashFor, which is
	// what a film shows; nil before the first flash.
	Flash    *Quantity `json:"since_flash"`
	FlashFor string    `json:"flash_for,omitempty"`
	Rule     string    `json:"rule"`
	Channel  string    `json:"channel"`
	Value    *Quantity `json:"value"`
	Limit    *Quantity `json:"limit"`
	Stop     string    `json:"stop"`
	FirstOut bool      `json:"first_out"`
	Reason   string    `json:"reason"`
	Cause    string    `json:"cause,omitempty"`
	Says     string    `json:"says"`
	// With is what became due by the same silence of the craft, in words.
	With  []string `json:"with_it,omitempty"`
	Times Times    `json:"times"`
}

// Name is what a trip is called; a fault of the chain outside every run brings
// none, and stands in its place with the number 0.
func (t *Trip) Name() string {
	if t.Number == 0 {
		return "fault"
	}
	return fmt.Sprintf("trip %d", t.Number)
}

// Worse reports whether it went further past the limit than another of its rule.
func (t *Trip) Worse(than *Trip) bool {
	if t.Value == nil || than.Value == nil || t.Limit == nil {
		return false
	}
	return math.Abs(t.Value.Value-t.Limit.Value) > math.Abs(than.Value.Value-t.Limit.Value)
}

// Filmed is where a film that shows the lamp shows the trip; empty before the
// first flash.
func (t *Trip) Filmed() string {
	if t.Flash == nil {
		return ""
	}
	return fmt.Sprintf("%.3f s after the lamp flashed for %s", t.Flash.Value, t.FlashFor)
}

// Times are how long things took around a trip, as recorded.
type Times struct {
	// Datagram is when the loop took the last value of the channel before the
	// decision; Past is since when the value stood past the limit.
	Datagram *Quantity `json:"last_value_taken"`
	Past     *Quantity `json:"past_limit_since"`
	// Detected is from Past to the decision; BudgetDetect what it may take.
	Detected     *Quantity `json:"past_to_decision"`
	BudgetDetect *Quantity `json:"budget_to_decision"`
	// Acted is when the loop acted on it.
	Acted *Quantity `json:"acted"`
	// Relay is when the relay was commanded open, Readback when the mirror
	// contact said open, Still when no rotor turned any more.
	Relay      *Quantity `json:"relay_commanded_open"`
	Readback   *Quantity `json:"readback_open"`
	DropOut    *Quantity `json:"relay_to_readback"`
	BudgetDrop *Quantity `json:"budget_relay_to_readback"`
	Still      *Quantity `json:"rotors_still"`
	StopTime   *Quantity `json:"relay_to_rotors_still"`
	// BudgetStop is after which time the rotors counted as standing, StopSays
	// whether that was measured or stated.
	BudgetStop  *Quantity `json:"commissioned_stop_time"`
	StopSays    string    `json:"commissioned_stop_time_is"`
	BudgetGrace *Quantity `json:"grace"`
	Notes       []string  `json:"notes"`
}

// Caution is a pre-trip warning, and a near miss where it went off again
// without a trip of its rule.
type Caution struct {
	At       *Quantity `json:"at"`
	Lasted   *Quantity `json:"lasted"` // nil: it stood until the end
	Rule     string    `json:"rule"`
	Channel  string    `json:"channel"`
	Worst    *Quantity `json:"worst"`
	Limit    *Quantity `json:"limit"`
	Headroom *Quantity `json:"headroom"`
	// Share is the headroom at the worst over the way from caution to limit: 0
	// is at the limit.
	Share *float64 `json:"headroom_share"`
	Near  bool     `json:"near_miss"`
	Says  string   `json:"says"`

	at, off time.Duration
	tripped bool // its rule did, and it stood until the end
}

// PastLimit reports whether the value went past the limit while it lasted. Without a
// trip of its rule it was past it for less than the rule's time, or the relay had
// been commanded open before.
func (c *Caution) PastLimit() bool { return c.Headroom != nil && c.Headroom.Value < 0 }

// RuleRow is one rule, with how near it came.
type RuleRow struct {
	Rule     string    `json:"rule"`
	Channel  string    `json:"channel"`
	Sentence string    `json:"sentence"`
	RestsOn  string    `json:"rests_on"`
	Limit    *Quantity `json:"limit"`
	Caution  *Quantity `json:"caution"`
	// Least is the least distance to the limit while the rule was in force; nil
	// where it never had a value then. Share is that over the limit.
	Least    *Quantity `json:"least_headroom"`
	LeastAt  *Quantity `json:"least_headroom_at"`
	Share    *float64  `json:"least_headroom_share"`
	Trips    int       `json:"trips"`
	Cautions int       `json:"cautions"`
	Near     int       `json:"near_misses"`
	Doubts   []string  `json:"doubts"`

	index int
}

// Link is how the craft was heard.
type Link struct {
	Known  bool   `json:"known"`
	Says   string `json:"says"`
	Frames uint64 `json:"frames"`
	bench.Link
	BadBytes uint64          `json:"bad_bytes"`
	Ignored  []bench.Ignored `json:"ignored"`
	Never    []string        `json:"never_heard"`
}

// Opening is one time that the relay was commanded open while it was closed.
type Opening struct {
	At      *Quantity `json:"at"`
	Run     int       `json:"run"`
	DropOut *Quantity `json:"relay_to_readback"` // nil: no readback, or it never came
}

// Said is what somebody stamped into the records.
type Said struct {
	At   *Quantity `json:"at"`
	UTC  time.Time `json:"utc"`
	Text string    `json:"text"`
}

// Words is a text of the craft, in its own words.
type Words struct {
	At       *Quantity `json:"at"`
	UTC      time.Time `json:"utc"`
	Severity string    `json:"severity"`
	Text     string    `json:"text"`
}

// Declared is what the crew declared before a start.
type Declared struct {
	At   *Quantity `json:"at"`
	Says string    `json:"says"`
}

// Proof is one proof test, as it counted on the day.
type Proof struct {
	Test string `json:"test"`
	// InForce is what the guard was told at the start: "in force", "due", or
	// "not told".
	InForce string `json:"state"`
	Says    string `json:"says"`
}

// Hazard is one row of hazard or rule, proof and trip.
type Hazard struct {
	Hazard  string `json:"hazard"`
	Rule    string `json:"rule"` // or what else stands against it
	RestsOn string `json:"rests_on"`
	Proof   string `json:"proof"`
	Trips   int    `json:"trips"`
}

// Integrity is whether what was read is what was written.
type Integrity struct {
	Log     triplog.Report  `json:"trip_log"`
	Changed []string        `json:"changed_files"`
	Equal   *bench.Equality `json:"replay"`
	Says    []string        `json:"says"`
	// Recording is what is missing of the recording.
	Recording []string   `json:"recording"`
	Software  string     `json:"software"`
	Arch      string     `json:"arch"`
	Files     []FileHash `json:"files"`
}

// FileHash is a file with its SHA-256.
type FileHash struct {
	Name   string `json:"name"`
	From   string `json:"from,omitempty"`
	SHA256 string `json:"sha256"`
	AsRead bool   `json:"as_read"` // it is what was read on the day
}
