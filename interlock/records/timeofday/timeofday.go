// Package timeofday writes the time of day for people: local, with its offset from UTC
// said once. Files keep UTC.
//
// It promises that a clock which was never set is said to be so, and that no time of day
// is made of one.
package timeofday

import "time"

// oldest is before any session of this software: a board without a clock battery wakes
// years earlier. Ours.
var oldest = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)

// NeverSet stands where a time of day would.
const NeverSet = "the clock was never set, so no time of day is known"

// Set reports whether the clock that told a time had been set.
func Set(t time.Time) bool { return !t.Before(oldest) }

// Clock returns the local time of day to the second; empty of a clock that was never set.
func Clock(t time.Time) string {
	if !Set(t) {
		return ""
	}
	return t.Local().Format("15:04:05")
}

// Day returns the local date and time to the minute with the offset from UTC, or
// NeverSet.
func Day(t time.Time) string {
	if !Set(t) {
		return NeverSet
	}
	return t.Local().Format("2006-01-02 15:04") + " (" + Offset(t) + ")"
}

// Offset returns the offset of local time from UTC at a time, such as "UTC+02:00".
func Offset(t time.Time) string { return t.Local().Format("UTC-07:00") }

// OfSession returns when a session began by its name, to the second, which is the guard's
// clock at engine time 0 in UTC; zero of any other name.
func OfSession(name string) time.Time {
	const form = "2006-01-02T15-04-05Z"
	t, _ := time.Parse(form, name[:min(len(name), len(form))])
	return t
}

// At returns the local time of day so many seconds after the beginning; empty where the
// clock was never set.
func At(began time.Time, seconds float64) string {
	return Clock(began.Add(time.Duration(seconds * float64(time.Second))))
}
