package limitproof

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"path/filepath"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/rules"
)

// Schema is the version of Record as JSON.
const Schema = 1

// Number is the Seq of interlock.HostProof for the proof of the limits; the
// tests of commissioning have those below. It stands in recordings: never
// change it.
const Number = 32

// File is one file that was proved.
type File struct {
	File   string `json:"file"`
	Title  string `json:"title"`
	SHA256 string `json:"sha256"`
}

// Record is one proof. As a file its last field is a hash over the others: it
// finds accident, not a forger.
type Record struct {
	Schema int `json:"schema"`
	// Number counts the proofs of a log folder from 1: the highest is the
	// newest, whatever the clock said.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	Envelope File      `json:"envelope"`
	Pad      File      `json:"pad"`
	// ReactionS is the time from a sample to no thrust that the predicted apex was
	// proved with: it rests on the stop as it was measured by then.
	ReactionS float64 `json:"reaction_s"`
	// Passed reports whether nothing failed; NotProven lists the rules that could not
	// be proved at all, which take nothing from it.
	Passed    bool     `json:"passed"`
	NotProven []string `json:"not_proven"`
	// Report is all that was found.
	Report json.RawMessage `json:"report"`
}

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "proof") }

// Records reads the records of a log folder, oldest first. What cannot be read is
// told, and nothing before it counts.
func Records(logFolder string) (records []*Record, trouble []error, err error) {
	return numbered.ReadLast(Folder(logFolder), Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
}

// AnyReaction is for whoever does not know how long the stop took.
const AnyReaction time.Duration = -1

// Due returns in one sentence why the limits do not count as proved for exactly
// these files under this software, with that reaction where one is on the predicted
// apex; empty when they do. Limits do not age: the same bytes decide the same for
// ever.
func Due(p *pad.Pad, e *rules.Envelope, software string, reaction time.Duration, records []*Record) string {
	const mend = "; run downhaul prove with --envelope and --pad"
	envelope, padFile := hex.EncodeToString(e.Hash[:]), hex.EncodeToString(p.Hash[:])
	var newest *Record
	other := false
	for _, r := range records { // oldest first
		switch {
		case r.Envelope.SHA256 != envelope || r.Pad.SHA256 != padFile:
		case r.Software != software:
			other = true
		default:
			newest = r
		}
	}
	switch {
	case newest == nil && other:
		return "the limits were proved with another version of this software" + mend
	case newest == nil:
		return "the limits were not proved for exactly these files" + mend
	case !newest.Passed:
		return "the proof of the limits failed " + newest.Made.Format(time.DateOnly) + mend + " to see where"
	}
	was := time.Duration(newest.ReactionS*1e9 + 0.5)
	if reaction != AnyReaction && e.Watches(rules.Apex) && (reaction-was).Abs() > time.Millisecond/2 {
		return fmt.Sprintf("the limits were proved for a stop in which the thrust is gone %s after a sample, and now it is %s",
			rules.FormatDuration(was.Round(time.Millisecond)), rules.FormatDuration(reaction.Round(time.Millisecond))) + mend
	}
	return ""
}
