package flown

import (
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/rules/card"
)

// Schema is the version of Record as JSON.
const Schema = 2

// Hover is the longest steady hover of a step in one session, s, and the mass of
// craft and ballast that hovered, kg.
type Hover struct {
	Session string  `json:"session"`
	Step    string  `json:"step"`
	MassKg  float64 `json:"mass_kg"`
	ForS    float64 `json:"for_s"`
}

// Record is what one report found. As a file its last field is a hash over the
// others: it finds accident, not a forger.
type Record struct {
	Schema int `json:"schema"`
	// Number counts the records of a log folder from 1.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	Craft    string    `json:"craft"`
	// Mark is that of the sessions where a rehearsal is among them.
	Mark string `json:"mark,omitempty"`
	// Sessions are all of the craft that the report read; those whose records are
	// not as they were written give no hover, and leave no number in Reserves.
	Sessions []string       `json:"sessions"`
	Hovers   []Hover        `json:"hovers"`
	Reserves []card.Reserve `json:"reserves"`
}

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "shown") }

// Records reads the records of one craft that count on a pad with that mark, oldest first.
// What cannot be read is left out, and told.
func Records(logFolder, craft, mark string) (records []*Record, trouble []error, err error) {
	records, trouble, err = numbered.Read(Folder(logFolder), Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
	other := func(r *Record) bool { return !strings.EqualFold(r.Craft, craft) || r.Mark != "" && r.Mark != mark }
	return slices.DeleteFunc(records, other), trouble, err
}
