package ledger

import (
	"path/filepath"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/prooftest"
)

// Schema is the version of Entry as JSON.
const Schema = 1

// What is the kind of an entry.
type What string

// The entries. Fault and Defect open an item; Closed and Watched are about one.
const (
	Fault   What = "fault of the chain"
	Defect  What = "defect"
	Closed  What = "closed"  // Text says what was mended or done
	Watched What = "watched" // Text says why it may wait, Until for how long
)

// Entry is one record. As a file its last field is a hash over the others: it
// finds accident, not a forger.
type Entry struct {
	Schema int `json:"schema"`
	// Number counts the entries of a log folder from 1: the order on record.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	What     What      `json:"what"`
	// Of is the number of the item that a closing or a watch is about.
	Of   int    `json:"of,omitempty"`
	Text string `json:"text"`
	// Initials are of whoever answers for it, By is the local user.
	Initials string `json:"initials,omitempty"`
	By       string `json:"by,omitempty"`
	// Until is when a watch ends.
	Until *time.Time `json:"until,omitempty"`
	// Session, AtNS and Reason say which fault it was: the session, engine time
	// and the reason of its decision.
	Session string `json:"session,omitempty"`
	AtNS    int64  `json:"at_ns,omitempty"`
	Reason  string `json:"reason,omitempty"`
	// Tests are the proof tests that the fault calls for.
	Tests []prooftest.Test `json:"tests,omitempty"`
}

// Folder is where the ledger of a log folder stands, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "ledger") }

// FaultOf returns what a move of the latch to fault, or a note on top of one,
// says of the chain; ok is false where the chain is not what failed. from is the
// state that the latch came from.
func FaultOf(reason, from string) (text string, tests []prooftest.Test, ok bool) {
	switch reason {
	case interlock.ReasonPowerRemains.String():
		// The mirror contact may have told the truth: only the rotors show that this is mended.
		return "power was not removed", []prooftest.Test{prooftest.Chain, prooftest.Rotors}, true
	case interlock.ReasonReadbackClosed.String():
		if from == interlock.Closing.String() {
			return "the contactor closed when it must be open, in the test before a start: welded, bridged or miswired", []prooftest.Test{prooftest.Chain}, true
		}
		return "power was not removed: the contactor closed when it must be open", []prooftest.Test{prooftest.Chain, prooftest.Rotors}, true
	case interlock.ReasonWatchdog.String():
		return "the watchdog did not drop the chain when the guard stood still", []prooftest.Test{prooftest.Chain}, true
	case interlock.ReasonReadbackNot.String():
		return "the contactor did not close", []prooftest.Test{prooftest.Chain}, true
	}
	return "", nil, false
}
