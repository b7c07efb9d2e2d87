// Package tiltcheck keeps the dated checks of the tilt response, and says which
// count for a card's craft and motors. Package tilt makes them; a guard reads them.
package tiltcheck

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/rules/card"
)

// Schema is the version of Record as JSON.
const Schema = 1

// Record is one check of the tilt response. As a file its last field is a hash
// over the others: it finds accident, not a forger.
type Record struct {
	Schema int `json:"schema"`
	// Number counts the checks of a log folder from 1.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	Craft    string    `json:"craft"`
	// Motors is what the card said of the motors' places, by Digest.
	Motors string `json:"motors"`
	// Card is the SHA-256 of the card's bytes that day, for the reader: a later
	// ballast step on the card makes no wiring old.
	Card string `json:"card_sha256"`
	// After is the number of the newest session when the check was made: the
	// record comes behind that one in the order on record, whatever the clocks say.
	After  int    `json:"after_session"`
	Link   string `json:"link"`
	Passed bool   `json:"passed"`
	// Result is all that was found, a tilt.Result; a reader needs none of it.
	Result any `json:"result"`
}

// Digest stands for the places and spins of a card's motors: a check counts for
// these and no others.
func Digest(c *card.Card) string {
	var b strings.Builder
	for _, p := range c.Motors.Places {
		spin := 1
		if p.Spin == card.CounterClockwise {
			spin = -1
		}
		fmt.Fprintln(&b, p.Number, p.Ahead, p.Right, spin)
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:])
}

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "tilt") }

// Records reads the records of a log folder that count for a card's craft and
// motors, oldest first. What cannot be read is told, and nothing before it counts: it
// may be of these motors, and may not have passed.
func Records(logFolder string, c *card.Card) (records []*Record, trouble []error, err error) {
	records, trouble, err = numbered.ReadLast(Folder(logFolder), Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
	other := func(r *Record) bool { return !strings.EqualFold(r.Craft, c.Craft.Name) || r.Motors != Digest(c) }
	return slices.DeleteFunc(records, other), trouble, err
}
