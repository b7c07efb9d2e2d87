package report

import "time"

// together is within what time of its last end a caution of the same rule is the same
// event. Ours: a value that hangs at its caution goes in and out at the telemetry's rate,
// and a crew that looked up once calls it once.
const together = 5 * time.Second

// Span is one event of cautions of one rule that came close together: each sounded at
// once, and each stands in Cautions.
type Span struct {
	Rule    string    `json:"rule"`
	Channel string    `json:"channel"`
	From    *Quantity `json:"from"`
	To      *Quantity `json:"to"` // nil: it stood until the end
	Count   int       `json:"cautions"`
	// Worst is the value that came nearest to the limit or went farthest past it, WorstAt
	// the beginning of its caution.
	Worst    *Quantity `json:"worst"`
	WorstAt  *Quantity `json:"worst_at"`
	Limit    *Quantity `json:"limit"`
	Headroom *Quantity `json:"headroom"`
	Share    *float64  `json:"headroom_share"`
	// Near reports whether all of it went off again without a trip of the rule.
	Near bool `json:"near_miss"`
	// Tripped reports whether the rule did meanwhile.
	Tripped bool `json:"-"`
}

// PastLimit reports whether a value of it was past the limit.
func (s *Span) PastLimit() bool { return s.Headroom != nil && s.Headroom.Value < 0 }

// Came returns how it ended, in a few words.
func (s *Span) Came() string {
	switch {
	case s.Near && s.PastLimit():
		return "PAST THE LIMIT, no trip of its own"
	case s.Near:
		return "near miss"
	case s.Tripped:
		return "with a trip"
	}
	return "stood until the end"
}

// Lasted is from its beginning to its end; nil while it stood.
func (s *Span) Lasted() *Quantity {
	if s.To == nil {
		return nil
	}
	return &Quantity{Value: s.To.Value - s.From.Value, Unit: "s", shown: "s"}
}

// spansOf puts cautions together. They stand in the order of their beginnings.
func spansOf(cautions []Caution) []Span {
	out := []Span{}
	last := map[string]int{} // by rule
	for i := range cautions {
		c := &cautions[i]
		j, ok := last[c.Rule]
		if ok = ok && out[j].Near == c.Near && out[j].To != nil && c.At.Value-out[j].To.Value <= together.Seconds(); !ok {
			j = len(out)
			last[c.Rule] = j
			out = append(out, Span{Rule: c.Rule, Channel: c.Channel, From: c.At, Limit: c.Limit, Near: c.Near, Worst: c.Worst, WorstAt: c.At, Headroom: c.Headroom, Share: c.Share})
		}
		s := &out[j]
		s.Count++
		s.To, s.Tripped = nil, s.Tripped || c.tripped || c.Lasted != nil && !c.Near
		if c.Lasted != nil {
			s.To = &Quantity{Value: c.At.Value + c.Lasted.Value, Unit: "s", shown: "s"}
		}
		if c.Headroom != nil && (s.Headroom == nil || c.Headroom.Value < s.Headroom.Value) {
			s.Worst, s.WorstAt, s.Headroom, s.Share = c.Worst, c.At, c.Headroom, c.Share
		}
	}
	return out
}

// nearMisses counts the spans that were one.
func nearMisses(spans []Span) (n int) {
	for i := range spans {
		if spans[i].Near {
			n++
		}
	}
	return n
}
