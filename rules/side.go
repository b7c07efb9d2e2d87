package rules

import "math"

// Side states where a value stands against a rule. The order is that of a value
// on its way to the limit.
type Side uint8

// The sides.
const (
	// Inside: away from limit, deadband and caution.
	Inside Side = iota
	// InCaution: past the caution, and further from the limit than the
	// deadband, so that a violation is over.
	InCaution
	// InDeadband: not past the limit, but nearer to it than the deadband: it
	// begins no violation and ends none. Where the rule has a caution, the
	// deadband lies within it.
	InDeadband
	// Beyond: past the limit.
	Beyond
)

// String is the side in plain words.
func (s Side) String() string {
	switch s {
	case Inside:
		return "inside"
	case InCaution:
		return "in caution"
	case InDeadband:
		return "in the deadband"
	}
	return "beyond"
}

// Side judges the value v; for RisingFaster and FallingFaster v is the rate of
// change, negative while falling. A value exactly at a limit is not past it,
// and one exactly at a caution is not in caution; a value whose distance to the
// limit is exactly the deadband is out of the deadband. A NaN is Beyond.
func (r *Rule) Side(v float64) Side {
	switch r.Form {
	case Above, RisingFaster:
		return r.high(v, r.Limit, r.Caution)
	case FallingFaster:
		return r.high(-v, r.Limit, r.Caution)
	case Below:
		return r.high(-v, -r.Limit, -r.Caution)
	case Outside:
		return max(r.high(v, r.LimitHigh, r.CautionHigh), r.high(-v, -r.Limit, -r.Caution))
	case Is:
		if v < r.Limit || v > r.Limit {
			return Inside
		}
	case IsNot:
		if v == r.Limit {
			return Inside
		}
	}
	return Beyond
}

// high judges v against a limit that it may not rise above.
func (r *Rule) high(v, limit, caution float64) Side {
	switch {
	case !(v <= limit): // also a NaN
		return Beyond
	case r.HasCaution && v <= caution: // whichever way limit less deadband is rounded
		return Inside
	case v > limit-r.Deadband:
		return InDeadband
	case r.HasCaution:
		return InCaution
	}
	return Inside
}

// Band returns the lowest and the highest of the values that are Inside; of a rate, and
// where they are no one band, low is above high.
func (r *Rule) Band() (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	switch r.Form {
	case Above:
		high = r.lastInside(r.Limit, r.Caution)
	case Below:
		low = -r.lastInside(-r.Limit, -r.Caution)
	case Outside:
		low, high = -r.lastInside(-r.Limit, -r.Caution), r.lastInside(r.LimitHigh, r.CautionHigh)
	case IsNot:
		low, high = r.Limit, r.Limit
	default:
		low, high = high, low
	}
	return low, high
}

// lastInside is the highest value that high finds Inside.
func (r *Rule) lastInside(limit, caution float64) float64 {
	if r.HasCaution {
		return min(limit, caution)
	}
	return limit - r.Deadband
}

// Headroom is how far v may still go before it is past the limit, in the unit
// of the limit: positive inside, 0 at the limit, negative beyond, for rates as
// in Side. For Is and IsNot it is 1 inside and −1 beyond, for a NaN minus
// infinity.
func (r *Rule) Headroom(v float64) float64 {
	if math.IsNaN(v) {
		return math.Inf(-1)
	}
	switch r.Form {
	case Above, RisingFaster:
		return r.Limit - v
	case FallingFaster:
		return r.Limit + v
	case Below:
		return v - r.Limit
	case Outside:
		return min(v-r.Limit, r.LimitHigh-v)
	}
	if r.Side(v) == Inside {
		return 1
	}
	return -1
}

// Holds reports whether the value v lets the craft start. A value exactly at the
// limit holds. A NaN never holds.
func (p *Permissive) Holds(v float64) bool {
	switch p.Form {
	case Above:
		return v >= p.Limit
	case Below:
		return v <= p.Limit
	case Outside:
		return v <= p.Limit || v >= p.LimitHigh
	case Is:
		return v == p.Limit
	case IsNot:
		return v < p.Limit || v > p.Limit
	}
	return false
}
