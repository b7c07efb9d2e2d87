package rehearsed

import (
	"fmt"
	"path/filepath"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/stopping"
)

// Schema is the version of Record as JSON.
const Schema = 1

// record is the beginning or the end of one rehearsal. As a file its last field is a
// hash over the others: it finds accident, not a forger.
type record struct {
	Schema int `json:"schema"`
	// Number counts the records of a log folder from 1.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	// Begun is, at an end, the number of its beginning; 0 at a beginning.
	Begun int `json:"begun,omitempty"`
	// Folder is where its sessions lie, below the log folder.
	Folder string `json:"folder"`
	// Item is the number of the defect that holds starts back from the beginning on.
	Item int    `json:"ledger_item"`
	By   string `json:"by"`
	// Of is the stop of the craft that was modelled, as openings of the real one count for it.
	Of stopping.Of `json:"of"`
	// Openings is how often the real contactor opened; at an end.
	Openings int `json:"contactor_openings"`
	// How is how it ended.
	How string `json:"how,omitempty"`
}

// Folder is where the records of a log folder stand, beside its sessions; the sessions of
// each rehearsal lie in a folder of their own below it.
func Folder(logFolder string) string { return filepath.Join(logFolder, "rehearsals") }

// FolderAt is where the sessions of a rehearsal that begins then lie.
func FolderAt(logFolder string, begun time.Time) string {
	return filepath.Join(Folder(logFolder), begun.UTC().Format("2006-01-02T15-04-05Z"))
}

// records reads the records of a log folder, oldest first. What cannot be read is left
// out, and told.
func records(logFolder string) (records []*record, trouble []error, err error) {
	return numbered.Read(Folder(logFolder), Schema, func(r *record) (schema, number int) { return r.Schema, r.Number })
}

func write(logFolder string, r *record) error {
	r.Schema = Schema
	if _, err := numbered.Write(Folder(logFolder), r.Made, &r.Number, r); err != nil {
		return fmt.Errorf("keep the rehearsal on record: %w", err)
	}
	return nil
}
