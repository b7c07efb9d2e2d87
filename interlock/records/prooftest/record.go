package prooftest

import "time"

// Schema is the version of Record as JSON.
const Schema = 1

// Outcome is how a test ended.
type Outcome string

// The outcomes.
const (
	Passed  Outcome = "passed"
	Failed  Outcome = "failed"
	Skipped Outcome = "skipped" // the crew left it out, with a reason
	// Unfinished: the run broke off; what had passed before does not count.
	Unfinished Outcome = "not finished"
)

// Figure is one thing measured.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Result is one test.
type Result struct {
	Test    Test    `json:"test"`
	Outcome Outcome `json:"outcome"`
	// Found is what was wrong, a sentence each; Notes what else is worth
	// knowing, such as that something was judged by eye.
	Found []string `json:"found"`
	Notes []string `json:"notes"`
	// Reason is why a test was skipped.
	Reason  string    `json:"reason,omitempty"`
	Figures []Figure  `json:"figures"`
	By      string    `json:"by"`
	At      time.Time `json:"at"`
}

// PadFile names the pad file that was tested.
type PadFile struct {
	File   string `json:"file"`
	Title  string `json:"title"`
	SHA256 string `json:"sha256"`
}

// BoardID states which board was tested.
type BoardID struct {
	Kind    string   `json:"kind"`
	Machine string   `json:"machine"`
	Lines   []string `json:"lines"`
}

// Record is one run. As a file its last field is the SHA-256 of every byte
// before that field: it finds accident, not a forger, who can hash as well.
type Record struct {
	Schema int `json:"schema"`
	// Number counts the runs of a log folder from 1: the highest is the newest,
	// whatever the clock said.
	Number   int       `json:"number"`
	Made     time.Time `json:"made"`
	By       string    `json:"by"`
	Software string    `json:"software"`
	Pad      PadFile   `json:"pad"`
	Board    BoardID   `json:"board"`
	// Ledger is the number of the newest entry of the ledger when the run began:
	// what it passed counts for faults up to that one, whatever the clocks say.
	Ledger      int      `json:"ledger"`
	Interrupted bool     `json:"interrupted"`
	Tests       []Result `json:"tests"`
}

// Test finds the result of a test.
func (r *Record) Test(t Test) (*Result, bool) {
	for i := range r.Tests {
		if r.Tests[i].Test == t {
			return &r.Tests[i], true
		}
	}
	return nil, false
}
