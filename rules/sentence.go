package rules

import (
	"math/big"
	"strconv"
	"strings"
	"time"
)

// FormatDuration is a time for people: "40 ms", "1.5 s", "2 min", "30 d".
func FormatDuration(d time.Duration) string {
	const day = 24 * time.Hour
	size := d.Abs()
	switch {
	case size >= day && size%day == 0:
		return strconv.FormatInt(int64(d/day), 10) + " d"
	case size >= 2*time.Minute && size%time.Minute == 0:
		return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
	case size >= time.Second || d == 0:
		return decimal(d, time.Second) + " s"
	case size >= time.Millisecond:
		return decimal(d, time.Millisecond) + " ms"
	}
	return decimal(d, time.Microsecond) + " us"
}

// decimal is d in the unit, exactly, without trailing zeros.
func decimal(d, in time.Duration) string {
	return trimZeros(new(big.Rat).SetFrac64(int64(d), int64(in)).FloatString(9))
}

// ShowLimit returns a limit on a channel for people, in that unit.
func ShowLimit(watch ChannelID, v float64, unit string) string {
	if watch.Channel().Kind == Flag {
		return strconv.FormatBool(v != 0)
	}
	return FormatExact(v, unit)
}

// Condition is what must be so: "wind.peak10min must be 15 mph or less", "craft must be landed".
func (p *Permissive) Condition() string {
	if subject, state, ok := strings.Cut(p.Watch.String(), "."); ok && p.Watch.Channel().Kind == Flag {
		return subject + " must " + map[bool]string{true: "", false: "not "}[(p.Form == Is) == (p.Limit != 0)] + "be " + state
	}
	show := func(v float64) string { return ShowLimit(p.Watch, v, p.Unit) }
	must := p.Watch.String() + " must " + map[bool]string{true: "not "}[p.Form == IsNot] + "be "
	switch p.Form {
	case Above, Below:
		return must + show(p.Limit) + " or " + map[Form]string{Above: "more", Below: "less"}[p.Form]
	case Outside:
		return must + "outside " + show(p.Limit) + " to " + show(p.LimitHigh)
	}
	return must + show(p.Limit)
}
