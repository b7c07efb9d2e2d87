package stopping

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/rules"
)

// Schema is the version of Record as JSON.
const Schema = 1

// Kind is what a record tells.
type Kind string

// The kinds of record.
const (
	// Opening: the chain opened while it was live.
	Opening Kind = "opening"
	// Reading: somebody read off a watch or a film how long the last opening took.
	Reading Kind = "reading"
)

// ReadError is what a reading by hand gets on top: ours, for a finger on a
// stopwatch or a film that is not lined up with the opening.
const ReadError = 500 * time.Millisecond

// Of is what an opening counts for: another craft, another way to its rotors or
// another contactor is another stop.
type Of struct {
	Craft     string `json:"craft"`
	Motors    int    `json:"motors"`
	Reach     string `json:"reach"`
	Contactor string `json:"contactor"`
	// Model reports whether the board was a virtual one: it counts in a rehearsal.
	Model bool `json:"model"`
}

// NoCraft is the craft of openings that are the contactor's alone: a rehearsal's.
const NoCraft = "-"

// What is what openings on a pad count for, with that craft.
func What(p *pad.Pad, craft string) Of {
	return Of{Craft: strings.ToLower(craft), Motors: p.Craft.Motors, Reach: p.Reach.How, Contactor: p.Contactor.Name, Model: p.Board.Kind.Models()}
}

// Record is one opening, or a reading by hand of one. As a file its last field is
// a hash over the others.
type Record struct {
	Schema int `json:"schema"`
	// Number counts the records of a log folder from 1; the order of the records
	// is that of the numbers, whatever the clock said.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	Session  string    `json:"session"`
	Kind     Kind      `json:"kind"`
	Of       Of        `json:"of"`
	Step     string    `json:"step"`
	Packs    []string  `json:"packs,omitempty"` // declared

	// Of an opening; see Seen.
	AtS       float64 `json:"at_s"`
	Output    float64 `json:"output"` // −1 is not known
	Loaded    bool    `json:"under_load"`
	LiveS     float64 `json:"live_s"` // since the start
	FullS     float64 `json:"full_output_s"`
	Mirror    string  `json:"mirror"` // "open", "closed" or "not fitted"
	MirrorS   float64 `json:"mirror_s"`
	Traced    bool    `json:"traced"`
	StandingS float64 `json:"standing_s"`
	ThrustS   float64 `json:"thrust_s"`
	Why       string  `json:"why,omitempty"`

	// Of a reading: of which opening, as read, and by whom.
	Opening  int     `json:"opening,omitempty"`
	ReadS    float64 `json:"read_s,omitempty"`
	Initials string  `json:"initials,omitempty"`
}

// Fill takes over what was seen of an opening.
func (r *Record) Fill(s Seen) {
	r.Schema, r.Kind = Schema, Opening
	r.AtS, r.Loaded, r.Why = s.At.Seconds(), s.Loaded, s.Why
	r.LiveS, r.FullS = s.Live.Seconds(), s.Full.Seconds()
	r.Step, r.Packs = s.Step, s.Packs
	r.Output = -1
	if s.Known {
		r.Output = s.Output
	}
	switch {
	case !s.Fitted:
		r.Mirror = "not fitted"
	case s.Opened:
		r.Mirror, r.MirrorS = "open", s.Mirror.Seconds()
	default:
		r.Mirror = "closed"
	}
	r.Traced, r.StandingS, r.ThrustS = s.Traced, s.Standing.Seconds(), s.Thrust.Seconds()
}

// Says is the record in one sentence.
func (r *Record) Says() string {
	if r.Kind == Reading {
		return fmt.Sprintf("opening %d: rotors standing after %s, read by %s; %s more counts", r.Opening, rules.Reading(r.ReadS, "s"), r.Initials, rules.FormatDuration(ReadError))
	}
	text := "output not known"
	if r.Output >= 0 {
		text = "from " + rules.Reading(r.Output, "%")
	}
	if r.Traced {
		text += fmt.Sprintf(": rotors standing after %s, thrust gone after %s", rules.Reading(r.StandingS, "s"), rules.Reading(r.ThrustS, "s"))
	} else {
		text += ": how long the rotors took is not known, because " + r.Why + "; read it off a watch or a film (downhaul declare stop)"
	}
	if r.Mirror == "closed" {
		text += "; the mirror contact stayed closed"
	}
	return fmt.Sprintf("opening %d, %s", r.Number, text)
}

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "stop") }

// Write numbers the record and keeps it in the log folder: whole or not at all.
func (r *Record) Write(logFolder string) error {
	_, err := numbered.Write(Folder(logFolder), r.Made, &r.Number, r)
	return err
}
