package answers

import (
	"fmt"
	"time"

	"downhaul/interlock/day/telemetry/signing"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/session"
)

// OldAfter is the age from which a Status is no state any more: it is at most a
// tenth of a second old while the loop turns, whatever is heard. Page and
// terminal say so then.
const OldAfter = time.Second

// Request is one line of the guard's local socket.
type Request struct {
	Do   string `json:"do"` // "status", "mark", "declare" or "ledger"
	Text string `json:"text,omitempty"`
	// Past asks a status for the wind of the last ten minutes as well.
	Past bool `json:"past,omitempty"`
	// Declare is what is declared: its What, and Step, Packs, Value and
	// Initials as that asks.
	Declare *session.Declaration `json:"declare,omitempty"`
	// Ledger is what is asked of the ledger.
	Ledger *LedgerRequest `json:"ledger,omitempty"`
}

// Reply answers a Request.
type Reply struct {
	OK     bool    `json:"ok"`
	Error  string  `json:"error,omitempty"`
	Status *Status `json:"status,omitempty"`
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
	if s := r.Status; s != nil && s.Schema != StatusSchema {
		return fmt.Errorf("the guard answers in form %d, and this program reads %d: use the program of the same version as the guard", s.Schema, StatusSchema)
	}
	return nil
}

// StatusSchema is the version of Status as JSON.
const StatusSchema = 1

// Status is what `status` shows and the page reads. Values are SI, with the
// unit beside them; texts are for people, in the units of the envelope.
type Status struct {
	Schema  int    `json:"schema"`
	Session string `json:"session"`
	Folder  string `json:"folder"`
	// Mark is set where no real relay is worked, and says so.
	Mark string `json:"mark,omitempty"`
	// Title is the envelope's.
	Title string  `json:"title"`
	At    float64 `json:"at_s"`
	// AgeS is how old all of this was when it was told: the loop's own age, and
	// no word of how long the craft was silent.
	AgeS     float64 `json:"age_s"`
	Duty     string  `json:"duty"`
	State    string  `json:"state"`
	SinceS   float64 `json:"since_s"`
	Sentence string  `json:"sentence"`
	// Meaning is the word of the state's colour, after IEC 60073.
	Meaning string   `json:"meaning"`
	DoNow   []string `json:"do_now"`
	Sound   string   `json:"sound"`
	// Silenced reports whether a sound was silenced although its cause stands.
	Silenced bool `json:"sound_silenced"`
	// Flash is the last flash of the lamp, null before the first.
	Flash    *FlashStatus `json:"flash"`
	RelayOn  bool         `json:"relay_on"`
	Closed   bool         `json:"closed"`
	Armed    bool         `json:"armed"`
	Airborne bool         `json:"airborne"`
	KeepOut  bool         `json:"keep_out"`
	// GraceLeft is the time until a controlled stop takes the power off; null
	// where none runs.
	GraceLeft  *float64 `json:"grace_left_s"`
	FirstCause string   `json:"first_cause"`
	// Causes are the trips of this episode in their order, the first first.
	Causes   []CauseStatus `json:"causes"`
	NotReady []string      `json:"not_ready_because"`
	// Permissives are the envelope's conditions for a start. Losing one while
	// live is logged and shown, and is no trip.
	Permissives []PermissiveStatus `json:"permissives"`
	// Acts are the last acts of people, oldest first.
	Acts     []ActStatus     `json:"acts"`
	Rules    []RuleStatus    `json:"rules"`
	Channels []ChannelStatus `json:"channels"`
	Unseen   []string        `json:"unseen"`
	Trips    uint32          `json:"trips"`
	Kept     uint32          `json:"trips_on_disk"`
	Loop     LoopStatus      `json:"loop"`
	Link     LinkStatus      `json:"link"`
	Signing  SigningStatus   `json:"signing"`
	// Declared is what the crew declared and what the test card asks.
	Declared Declared `json:"declared"`
	// Counted is what wears, over sessions; null where nothing counts, as in a
	// rehearsal.
	Counted *Counted `json:"counted"`
	// WindPast is the wind of the last ten minutes, only where it was asked for.
	WindPast []WindPast `json:"wind_past,omitempty"`
	// Trouble is the last thing that went wrong with records or outputs.
	Trouble []string `json:"trouble"`
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

// RuleStatus is one rule now.
type RuleStatus struct {
	Name    string `json:"name"`
	Channel string `json:"channel"`
	Now     string `json:"now"`
	// ValueText, LimitText and HeadroomText are for people; the first and the
	// last are empty where there is no value.
	ValueText    string   `json:"value_text"`
	LimitText    string   `json:"limit_text"`
	HeadroomText string   `json:"headroom_text"`
	Value        *float64 `json:"value"`
	Limit        float64  `json:"limit"`
	Headroom     *float64 `json:"headroom"`
	Unit         string   `json:"unit"`
	Stop         string   `json:"stop"`
	Caution      bool     `json:"caution"`
	Demand       bool     `json:"demand"`
	Missing      bool     `json:"missing"`
	InForce      bool     `json:"in_force"`
	RestsOn      string   `json:"rests_on"`
}

// ChannelStatus is one channel's last reading.
type ChannelStatus struct {
	Channel string `json:"channel"`
	Says    string `json:"says"`
	// Text is the value for people, in the unit Shown; AsShown is the number.
	Text    string   `json:"text"`
	Shown   string   `json:"shown_unit"`
	AsShown *float64 `json:"shown"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Cause   string   `json:"cause,omitempty"`
	AgeS    *float64 `json:"age_s"`
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

// FlashStatus is the last flash of the lamp, by which cameras are lined up
// with the log: it stood for State.
type FlashStatus struct {
	At    float64 `json:"at_s"`
	AgoS  float64 `json:"ago_s"`
	State string  `json:"state"`
}

// CauseStatus is one trip of this episode.
type CauseStatus struct {
	Trip   uint32  `json:"trip"`
	At     float64 `json:"at_s"`
	AfterS float64 `json:"after_s"` // after the first
	First  bool    `json:"first"`
	Text   string  `json:"text"`
	Stop   string  `json:"stop"`
	// Stands says, for a rule and for a silence of the craft, whether it is still
	// so; null for other built-in interlocks.
	Stands *bool `json:"stands"`
	// Part reports whether it is no trip of its own: it came with the silence that Trip is.
	Part bool `json:"part"`
	// Now is what has become of it, empty where that cannot be told.
	Now string `json:"now"`
}

// PermissiveStatus is one condition for a start.
type PermissiveStatus struct {
	Name      string   `json:"name"`
	Channel   string   `json:"channel"`
	Condition string   `json:"condition"`
	Now       string   `json:"now"`
	Value     *float64 `json:"value"`
	Limit     float64  `json:"limit"`
	Unit      string   `json:"unit"`
	Holds     bool     `json:"holds"`
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
	// Asks is what the card still asks before a start; Conditions what it asks
	// the crew to see to, which no guard can hold.
	Asks       []string `json:"asks"`
	Conditions []string `json:"conditions"`
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
