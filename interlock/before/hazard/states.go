package hazard

import (
	_ "embed"
	"fmt"
	"path"

	"downhaul/interlock/sense"
	"downhaul/rules"
)

//go:embed channels.txt
var channels string

// span is from low to high; known reports whether anything is said of it.
type span struct {
	low, high float64
	known     bool
}

// state is where a channel stands at rest on the pad and in a quiet hover, and from
// where to where a limit still acts in time.
type state struct{ rest, hover, acts span }

// stateOf is what channels.txt says of a channel. A voltage that is a sum of cells has
// the state of one cell times their count n; it is not known where n is 0.
func stateOf(id rules.ChannelID, n int) (s state) {
	one := id
	switch id {
	case rules.Pack1Voltage, rules.Pack2Voltage, rules.Pack3Voltage, rules.Pack4Voltage, rules.SupplyVoltage, rules.PackResting:
		if one = rules.Pack1LowestCell; n == 0 {
			return s
		}
	default:
		n = 1
	}
	for _, c := range States() {
		if ok, _ := path.Match(c[0], one.String()); !ok {
			continue
		}
		for i, to := range []*span{&s.rest, &s.hover, &s.acts} {
			low, _, _, okLow := sense.Number(c[2*i+1])
			high, _, _, okHigh := sense.Number(c[2*i+2])
			*to = span{low * float64(n), high * float64(n), okLow || okHigh}
			if !okLow {
				to.low = id.Channel().Low
			}
			if !okHigh {
				to.high = id.Channel().High
			}
		}
	}
	return s
}

// beyond reports whether all values of the span are such as a rule of the form does
// not allow, and whether some are.
func (s span) beyond(form rules.Form, limit, limitHigh float64) (all, some bool) {
	if !s.known {
		return false, false
	}
	switch form {
	case rules.Above:
		return s.low > limit, s.high > limit
	case rules.Below:
		return s.high < limit, s.low < limit
	case rules.Outside:
		return s.high < limit || s.low > limitHigh, s.low < limit || s.high > limitHigh
	case rules.Is:
		return s.low == limit && s.high == limit, s.low <= limit && limit <= s.high
	case rules.IsNot:
		return limit < s.low || limit > s.high, s.low != limit || s.high != limit
	}
	return false, false
}

// meets reports whether some value of the span is one that a permissive asks for, and
// whether all are.
func (s span) meets(p *rules.Permissive) (some, all bool) {
	switch p.Form {
	case rules.Above:
		return s.high >= p.Limit, s.low >= p.Limit
	case rules.Below:
		return s.low <= p.Limit, s.high <= p.Limit
	case rules.Outside:
		return s.low <= p.Limit || s.high >= p.LimitHigh, s.high <= p.Limit || s.low >= p.LimitHigh
	case rules.Is:
		return s.low <= p.Limit && p.Limit <= s.high, s.low == p.Limit && s.high == p.Limit
	}
	return s.low != p.Limit || s.high != p.Limit, p.Limit < s.low || p.Limit > s.high
}

// says is the span for people.
func (s span) says(id rules.ChannelID, unit string) string {
	switch {
	case id.Channel().Kind == rules.Flag:
		return fmt.Sprint(s.low != 0)
	case s.low == s.high:
		return rules.Format(s.low, unit)
	}
	return rules.Format(s.low, unit) + " to " + rules.Format(s.high, unit)
}
