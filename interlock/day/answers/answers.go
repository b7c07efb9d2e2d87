package answers

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/limits"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Request is one line of the guard's local socket.
type Request struct {
	Do   string `json:"do"` // "status", "files", "mark", "declare" or "ledger"
	Text string `json:"text,omitempty"`
	// Declare is what is declared: its What, and Step, Packs, Value and
	// Initials as that asks.
	Declare *session.Declaration `json:"declare,omitempty"`
	// Ledger is what is asked of the ledger.
	Ledger *LedgerRequest `json:"ledger,omitempty"`
}

// Reply answers a Request.
type Reply struct {
	OK    bool   `json:"ok"`
	Error string `json:"error,omitempty"`
	// Seen answers "status", Files "files".
	Seen  *Seen  `json:"seen,omitempty"`
	Files *Files `json:"files,omitempty"`
	// Declared answers a declaration.
	Declared *Declared `json:"declared,omitempty"`
	// Ledger answers what was asked of the ledger.
	Ledger *LedgerReply `json:"ledger,omitempty"`
}

// Err returns why a reply cannot be used: the guard refused, or it is of a newer
// version than this program, which could misread what it says.
func (r *Reply) Err() error {
	if !r.OK {
		return fmt.Errorf("the guard says: %s", r.Error)
	}
	if s := r.Seen; s != nil && s.Schema != SeenSchema {
		return fmt.Errorf("the guard answers in form %d, and this program reads %d: use the program of the same version as the guard", s.Schema, SeenSchema)
	}
	return nil
}

// SeenSchema is the version of Seen as JSON. Codes are numbers there: it goes up with
// each change of what they stand for, and names_test.go holds it to that.
const SeenSchema = 4

// MostActs bounds the acts of people that are told.
const MostActs = 8

// Shown are the channels that are shown beside the rules.
var Shown = [...]rules.ChannelID{
	rules.WindSpeed, rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10,
	rules.Height, rules.Climb, rules.Apex, rules.Tilt, rules.Tension, rules.MotorHighest, rules.RotorSpeed, rules.LiftReserve,
	rules.SupplyVoltage, rules.SupplyCurrent, rules.SupplyLeft,
	rules.Pack1Voltage, rules.Pack1LowestCell, rules.Pack1Current, rules.Pack1Charge, rules.Pack1Left, rules.Pack1Temperature,
	rules.Pack2Voltage, rules.Pack2LowestCell, rules.Pack3Voltage, rules.Pack3LowestCell, rules.Pack4Voltage, rules.Pack4LowestCell,
	rules.PackResistance, rules.PackToFloor, rules.LinkLag, rules.LinkLoss, rules.LinkAge, rules.RadioRSSI, rules.CraftMode,
}

// Seen is what a guard sees: figures and codes, which answers/told puts into words.
type Seen struct {
	Schema  int    `json:"schema"`
	Session string `json:"session"`
	Folder  string `json:"folder"`
	// Mark is set where no real relay is worked, and says so.
	Mark string `json:"mark"`
	// Age is how old all of this was when it was told: the loop's own age, and
	// no word of how long the craft was silent.
	Age      time.Duration    `json:"age"`
	View     interlock.View   `json:"view"`
	Readings []limits.Reading `json:"readings"` // of Shown
	// Heard is when the last of the craft's frames was seen.
	Heard time.Duration `json:"heard"`
	// Trips are those of this episode, the first-out first; Acts the last ones at the
	// buttons, Said those over the local socket, oldest first.
	Trips []interlock.Effect `json:"trips"`
	Acts  []interlock.Effect `json:"acts"`
	Said  []ActStatus        `json:"said"`
	// Words are the newest texts of the craft, the newest first; WordsMore counts texts,
	// and parts of them, that came too fast to be kept.
	Words     []words.Said `json:"words"`
	WordsMore uint64       `json:"words_not_kept"`
	NotReady  []string     `json:"not_ready"`
	// Trouble is the last thing that went wrong with records or outputs.
	Trouble []string      `json:"trouble"`
	Loop    LoopStatus    `json:"loop"`
	Link    LinkStatus    `json:"link"`
	Signing SigningStatus `json:"signing"`
	// Declared is what the crew declared and what the test card asks.
	Declared Declared `json:"declared"`
	// Counted is what wears, over sessions; null where nothing counts, as in a
	// rehearsal.
	Counted *Counted `json:"counted"`
	// Packs are those that were declared for a start, each over all crafts.
	Packs []stopping.PackWorn `json:"packs"`
}

// Files are the texts of what a guard runs on.
type Files struct {
	Pad      string `json:"pad"`
	Envelope string `json:"envelope"`
	Card     string `json:"card"` // empty without one
}

// Counted is what wears: the starts of this craft with the time that its chain was
// live and the time at full output, and the openings of this contactor. Each run
// counts once its opening is on record.
type Counted struct {
	Starts      int     `json:"starts"`
	LiveS       float64 `json:"live_s"`
	FullOutputS float64 `json:"full_output_s"`
	Openings    int     `json:"contactor_openings"`
	Loaded      int     `json:"openings_under_load"`
	// Contactor is its name; MakerStates is how often it may open under load, 0
	// where the pad file does not say.
	Contactor   string `json:"contactor"`
	MakerStates int    `json:"maker_states"`
	// Trouble is why none of it is known; empty where it is.
	Trouble string `json:"trouble"`
}

// LoopStatus is how the loop runs.
type LoopStatus struct {
	Turns       uint64  `json:"turns"`
	WorstGapS   float64 `json:"worst_gap_s"`
	Dropped     uint64  `json:"chunks_dropped"`
	LostRecords uint64  `json:"records_lost"`
}

// LinkStatus is what was heard.
type LinkStatus struct {
	Frames       uint64 `json:"frames"`
	OtherSenders uint64 `json:"other_senders"`
	WrongAddress uint64 `json:"wrong_address"`
	Repeated     uint64 `json:"repeated"` // of the craft, said before: no sign of life
	// Unkept counts datagrams that cannot be the craft's and were too many to keep;
	// the other counts are without them.
	Unkept     uint64 `json:"strangers_not_kept"`
	UnknownIDs uint64 `json:"unknown_ids"`
	BadBytes   uint64 `json:"bad_bytes"`
	// SilentS is how long nothing was heard from the craft; null before its
	// first frame.
	SilentS *float64 `json:"silent_s"`
}

// ActStatus is something that a person did, and by what: an input line of the
// pad, or the local socket and who was there.
type ActStatus struct {
	At   float64 `json:"at_s"`
	What string  `json:"what"`
	By   string  `json:"by"`
}

// SigningStatus is what became of the frames under the craft's name where they
// must be signed.
type SigningStatus struct {
	signing.Counts
	On bool `json:"on"`
}

// Declared is what was declared and what the test card asks, for people and
// pages.
type Declared struct {
	// Card is the title of the test card, empty without one; Craft its craft.
	Card  string   `json:"card"`
	Craft string   `json:"craft"`
	Step  string   `json:"step"`
	Packs []string `json:"packs"`
	// Wind is a reading by hand: declared, not measured. Null before one was
	// made, and after ten minutes.
	Wind *DeclaredWind `json:"wind"`
	// Air is as it was declared, not measured; empty before.
	Air string `json:"air"`
	// Foreseen is the last report's forecast for the step; null without one.
	Foreseen *card.Reserve `json:"foreseen,omitempty"`
	// Asks is what the card still asks before a start; Conditions what it asks
	// the crew to see to, which no guard can hold.
	Asks       []string `json:"asks"`
	Conditions []string `json:"conditions"`
	// Standing states for each step of the card, in its order, whether its result counts now;
	// only where nothing was declared.
	Standing []string `json:"standing,omitempty"`
	// KeepOut is why nobody goes in although the rotors stand; empty for nothing.
	KeepOut string `json:"keep_out"`
	// Says is what a declaration came to; empty in a status.
	Says string `json:"says,omitempty"`
}

// DeclaredWind is a wind that was read by hand.
type DeclaredWind struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Text  string  `json:"text"`
	AgeS  float64 `json:"age_s"`
	LeftS float64 `json:"left_s"`
	// Says is always "declared, not measured".
	Says string `json:"says"`
}

// LedgerRequest is what somebody asks of the ledger: to list it, to note a defect,
// to close an item or to let a defect wait.
type LedgerRequest struct {
	Act      string  `json:"act"` // "list", "note", "close" or "watch"
	Of       int     `json:"of,omitempty"`
	Text     string  `json:"text,omitempty"`
	Initials string  `json:"initials,omitempty"`
	LastsS   float64 `json:"lasts_s,omitempty"`
}

// Do does what somebody asks of a ledger, and says in one line what came of it.
func (r *LedgerRequest) Do(b *ledger.Book, now time.Time, by string) (says string, err error) {
	var e *ledger.Entry
	switch r.Act {
	case "list":
		return "", nil
	case "note":
		if e, err = b.Note(now, r.Text, by); err == nil {
			says = fmt.Sprintf("defect %d, %s: it holds the next start back until it is closed or watched", e.Number, e.Text)
		}
	case "close":
		if e, err = b.Close(now, r.Of, r.Text, r.Initials, by); err == nil {
			says = fmt.Sprintf("what was done about number %d: %s", e.Of, e.Text)
		}
	case "watch":
		if !(r.LastsS > 0 && r.LastsS < 1e9) {
			return "", fmt.Errorf("a watch lasts more than 0 (got %g s)", r.LastsS)
		}
		if e, err = b.Watch(now, r.Of, r.Text, r.Initials, time.Duration(r.LastsS*float64(time.Second)), by); err == nil {
			says = fmt.Sprintf("defect %d may wait: %s", e.Of, e.Text)
		}
	default:
		err = fmt.Errorf("nothing is called %q here; there are list, note, close and watch", r.Act)
	}
	return says, err
}

// LedgerReply answers a LedgerRequest.
type LedgerReply struct {
	Items []ledger.Item `json:"items"`
	Says  string        `json:"says,omitempty"`
}
