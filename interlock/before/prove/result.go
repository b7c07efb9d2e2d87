package prove

// Schema counts the shape of a Report.
const Schema = 1

// The outcomes.
const (
	Pass      = "pass"
	Fail      = "fail"
	NotProven = "not proven"
	// Moot: there is nothing of the kind that could go wrong here.
	Moot = "does not apply"
)

// Report is the result of one proof test. Values are SI.
type Report struct {
	Schema int  `json:"schema"`
	Pass   bool `json:"pass"`
	// Rules has one row for every side of every rule, in the envelope's order.
	Rules []Row `json:"rules"`
	// Starts are the envelope's conditions of a start.
	Starts []Case `json:"start_conditions"`
	// Notes state what was assumed.
	Notes []string `json:"notes"`
}

// Row is one rule, or one side of a rule that has two.
type Row struct {
	Rule    string `json:"rule"`
	Line    int    `json:"line"`
	Channel string `json:"channel"`
	// Side is the way out: "above", "below", "rising", "falling", "is", "is_not".
	Side  string   `json:"side"`
	Unit  string   `json:"unit"`
	Limit float64  `json:"limit"`
	Stop  string   `json:"stop"`
	Held  *float64 `json:"largest_that_did_not"`
	// Tripped is the smallest excursion that tripped, Held the largest that did
	// not, as the core read them; Exact reports whether Held is the limit itself.
	Tripped *float64 `json:"smallest_that_tripped"`
	Exact   bool     `json:"limit_itself_tested"`
	// Detect is from the excursion to the decision, Budget what it may take.
	Detect *float64 `json:"detect_s"`
	Budget *float64 `json:"budget_s"`
	// Silence is from the last good value to the decision.
	Silence    *float64 `json:"silence_s"`
	StaleAfter float64  `json:"stale_after_s"`
	Outcome    string   `json:"outcome"`
	// Beside is why the rule had to be proved in a core that has no other.
	Beside string `json:"beside,omitempty"`
	// Why is the reason of a rule that is not proven at all.
	Why   string `json:"why,omitempty"`
	Cases []Case `json:"cases"`
	// Index is the rule's place in the envelope.
	Index int `json:"-"`
}

// Case is one thing that was tried.
type Case struct {
	Name    string `json:"case"`
	Outcome string `json:"outcome"`
	// Says is what came of it, or why it could not be tried.
	Says string `json:"says"`
}

// judged is a case that was tried: it failed if there is a fault, which is what
// it then says.
func judged(name, fault, says string) Case {
	if fault != "" {
		return Case{Name: name, Outcome: Fail, Says: fault}
	}
	return Case{Name: name, Outcome: Pass, Says: says}
}

// Count is how many cases had the outcome.
func (r *Report) Count(outcome string) int {
	n := 0
	for _, row := range r.Rules {
		if row.Outcome == NotProven && len(row.Cases) == 0 && outcome == NotProven {
			n++
		}
		for _, c := range row.Cases {
			if c.Outcome == outcome {
				n++
			}
		}
	}
	for _, c := range r.Starts {
		if c.Outcome == outcome {
			n++
		}
	}
	return n
}

// close works out the outcomes of rows and report.
func (r *Report) close() {
	r.Pass = true
	for i := range r.Rules {
		row := &r.Rules[i]
		if row.Outcome == NotProven {
			continue
		}
		row.Outcome = Pass
		for _, c := range row.Cases {
			if c.Outcome == Fail {
				row.Outcome, r.Pass = Fail, false
			}
		}
	}
	for _, c := range r.Starts {
		if c.Outcome == Fail {
			r.Pass = false
		}
	}
}
