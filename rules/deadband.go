package rules

import "math"

// Encloses reports whether a caution at these values lies inside the limit; high
// counts for Outside only.
func (r *Rule) Encloses(low, high float64) bool {
	switch r.Form {
	case Above, RisingFaster, FallingFaster:
		return low < r.Limit
	case Below:
		return low > r.Limit
	case Outside:
		return low > r.Limit && high < r.LimitHigh
	}
	return true
}

// DeadbandRoom is the widest that the deadband may be, and what it would reach
// past if it were wider.
func (r *Rule) DeadbandRoom() (room float64, what string) {
	room = math.Inf(1)
	if r.HasCaution {
		room, what = math.Abs(r.Limit-r.Caution), "the caution"
		if r.Form == Outside {
			room = min(room, r.LimitHigh-r.CautionHigh)
		}
	}
	return room, what
}

// UsualDeadband is the deadband of a rule that does not write its own.
func (r *Rule) UsualDeadband() float64 {
	if kind := r.Watch.Channel().Kind; kind == Flag || kind == Number {
		return 0
	}
	size := math.Abs(r.Limit)
	if r.Form == Outside {
		size = r.LimitHigh - r.Limit
	}
	room, _ := r.DeadbandRoom()
	return min(float64(defaultDeadband*size), room)
}

// NeverOver reports whether no value of the channel is inside the limit by that
// deadband.
func (r *Rule) NeverOver(deadband float64) bool {
	c := r.Watch.Channel()
	return r.Form == Above && r.Limit-deadband < c.Low || r.Form == Below && r.Limit+deadband > c.High
}
