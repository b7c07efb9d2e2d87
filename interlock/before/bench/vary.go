package bench

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"downhaul/rules"
)

// Turn names what of a rule Vary sets.
type Turn uint8

// What can be set.
const (
	TurnLimit   Turn = iota + 1 // the limit; not of Outside
	TurnLow                     // the low limit of Outside
	TurnHigh                    // the high limit of Outside
	TurnLasting                 // the on-delay
)

// Variation is an envelope in which one rule says something else.
type Variation struct {
	Envelope *rules.Envelope
	// Value is what was set: SI, seconds for the on-delay.
	Value float64
	// NoCaution reports whether the rule's caution had to be left out, for it would
	// not lie inside the new limit. That changes no stop.
	NoCaution bool
}

// vary gives a copy of the envelope in which rule number i is what it would be
// if its file had that text for its limit or its on-delay: a deadband that is
// not written there follows the limit. What the file would be refused for is an
// error, except that a caution past the limit is left out, and that rows are not
// held against each other for contradictions. The hash is that of no file: zero.
func vary(e *rules.Envelope, i int, turn Turn, text string) (Variation, error) {
	c := *e
	c.Hash = [32]byte{}
	c.Rules = slices.Clone(e.Rules)
	out := Variation{Envelope: &c}
	r := &c.Rules[i]
	if turn == TurnLasting {
		d, err := rules.ParseDuration(text)
		if err == nil && (d < 0 || d > rules.LongestTime) {
			err = fmt.Errorf("the on-delay must lie between 0 and an hour (got %q)", text)
		}
		r.Lasting, out.Value = d, d.Seconds()
		return out, err
	}
	var err error
	kind, wrong, mend := rules.LimitKind(r.Watch.Channel(), r.Form)
	switch {
	case kind == 0:
		return out, fmt.Errorf("%s; %s", wrong, mend)
	case r.Form == rules.Is || r.Form == rules.IsNot:
		return out, fmt.Errorf("rule %q is for one value alone: there is no limit to move; move its lasting", r.Name)
	case r.Form == rules.Outside && turn == TurnLimit:
		return out, fmt.Errorf("rule %q has two limits; say which one is to move, low or high", r.Name)
	case r.Form != rules.Outside && turn != TurnLimit:
		return out, fmt.Errorf("rule %q has one limit, neither low nor high; move its limit", r.Name)
	}
	if out.Value, err = parseLimit(text, kind); err != nil {
		return out, err
	}
	if turn == TurnHigh {
		r.LimitHigh = out.Value
	} else {
		r.Limit = out.Value
	}
	out.NoCaution = settle(r)
	return out, sane(r)
}

// parseLimit reads a limit in SI: a quantity with its unit, or a plain number.
func parseLimit(text string, kind rules.Kind) (float64, error) {
	if kind != rules.Number {
		q, err := rules.ParseQuantity(text, kind)
		return q.SI, err
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("takes a plain number, without a unit (got %q)", text)
	}
	return v, nil
}

// settle has the caution and the deadband follow a new limit; it says whether
// the caution had to go.
func settle(r *rules.Rule) (noCaution bool) {
	room, _ := r.DeadbandRoom()
	if r.HasCaution && (!r.Encloses(r.Caution, r.CautionHigh) || r.DeadbandWritten && r.Deadband > room) {
		r.HasCaution, r.Caution, r.CautionHigh = false, 0, 0
		noCaution = true
	}
	if !r.DeadbandWritten {
		r.Deadband = r.UsualDeadband()
	}
	return noCaution
}

// sane refuses what the file would be refused for.
func sane(r *rules.Rule) error {
	c := r.Watch.Channel()
	show := func(v float64) string { return rules.FormatExact(v, r.Unit) }
	if r.Form == rules.Outside && r.Limit >= r.LimitHigh {
		return fmt.Errorf("the low limit must be less than the high one (got %s and %s)", show(r.Limit), show(r.LimitHigh))
	}
	if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
		if _, far := r.RateSpan(); far || r.Limit <= 0 {
			return fmt.Errorf("a rate must be more than 0 and one that %s can reach (got %s)", c.Name, show(r.Limit))
		}
	}
	never, always := r.Reach()
	switch {
	case never || always:
		return fmt.Errorf("a rule at %s would %s act: %s runs from %s to %s", show(r.Limit), word(always, "always", "never"), c.Name, rules.Format(c.Low, r.Unit), rules.Format(c.High, r.Unit))
	case r.DeadbandWritten && r.NeverOver(r.Deadband), r.Form == rules.Outside && r.Deadband >= (r.LimitHigh-r.Limit)/2 && r.DeadbandWritten:
		return fmt.Errorf("with a limit at %s the deadband of %s is so wide that a violation could never be over", show(r.Limit), rules.FormatDifference(r.Deadband, r.Unit))
	}
	return nil
}

func word(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}
