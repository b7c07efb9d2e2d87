package prooftest

import (
	"encoding/hex"
	"slices"
	"time"

	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Proof is where one test stands for a pad.
type Proof struct {
	Test Test
	// Passed is when it was last passed, zero if never; Failed is set when a
	// later run failed it.
	Passed, Failed time.Time
	// Left is how long it still counts; 0 or less is due now.
	Left time.Duration
}

// Due reports whether the test does not count now.
func (p Proof) Due() bool { return p.Left <= 0 }

// Says is the proof in one sentence.
func (p Proof) Says() string {
	text := "proof test due: " + p.Test.String()
	if !p.Due() {
		text = p.Test.String() + ": in force for " + rules.FormatDuration(p.Left.Truncate(24*time.Hour))
		if p.Left < 24*time.Hour {
			text = p.Test.String() + ": in force for less than a day"
		}
	}
	switch {
	case !p.Failed.IsZero():
		return text + ", failed " + p.Failed.Format(time.DateOnly)
	case p.Passed.IsZero():
		return text + ", never passed"
	}
	return text + ", last passed " + p.Passed.Format(time.DateOnly)
}

// Standing is what the records say of a pad.
type Standing struct {
	Proofs []Proof
	// ClockBehind: the clock stands before the newest record, so ages are at least as told.
	ClockBehind bool
	// Elsewhere is why the newest record of this pad file does not count here, empty if it does.
	Elsewhere string
}

// Stand judges the records of exactly this pad file on this machine. For each
// test the newest run that passed or failed it counts; one that skipped it, or
// broke off, takes nothing back.
//
// A clock that stands before the newest record (a board without a battery for
// it) counts as the time of that record: it must not make old tests young.
func Stand(p *pad.Pad, records []*Record, now time.Time, machine string) Standing {
	var s Standing
	hash := hex.EncodeToString(p.Hash[:])
	for _, r := range records {
		if r.Made.After(now) {
			now, s.ClockBehind = r.Made, true
		}
		if s.Elsewhere = ""; r.Pad.SHA256 == hash {
			s.Elsewhere = moved(r.Board.Machine, machine)
		}
	}
	for _, test := range Fitting(p) {
		proof := Proof{Test: test}
		for _, r := range records { // oldest first
			if r.Pad.SHA256 != hash || moved(r.Board.Machine, machine) != "" {
				continue
			}
			result, ok := r.Test(test)
			if !ok {
				continue
			}
			switch result.Outcome {
			case Passed:
				proof.Passed, proof.Failed = result.At, time.Time{}
			case Failed:
				proof.Failed = result.At
			}
		}
		if test == Rotors && proof.Passed.IsZero() && proof.Failed.IsZero() {
			// Who timed the stop by hand saw that the chain reaches the rotors.
			if at, err := time.Parse(time.DateOnly, p.Stop.Date); p.Stop.Proven && err == nil {
				proof.Passed = at
			}
		}
		if proof.Failed.IsZero() && !proof.Passed.IsZero() {
			proof.Left = p.Commission.Every - now.Sub(proof.Passed)
		}
		s.Proofs = append(s.Proofs, proof)
	}
	return s
}

// PassedSince reports whether the newest run on record that passed or failed a
// test passed it, and stands behind that entry of the ledger. A test that this pad
// has nothing for counts as passed. machine empty is any machine.
func PassedSince(p *pad.Pad, records []*Record, machine string, test Test, entry int) bool {
	if !slices.Contains(Fitting(p), test) {
		return true
	}
	hash := hex.EncodeToString(p.Hash[:])
	for _, r := range slices.Backward(records) {
		if r.Pad.SHA256 != hash || machine != "" && moved(r.Board.Machine, machine) != "" {
			continue
		}
		if result, ok := r.Test(test); ok && (result.Outcome == Passed || result.Outcome == Failed) {
			return result.Outcome == Passed && r.Ledger >= entry
		}
	}
	return false
}
