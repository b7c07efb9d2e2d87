package timeofday

import (
	"testing"
	"time"
)

// The zone's rules are those of the time zone database: Berlin is one hour ahead of UTC in
// winter and two in summer (Directive 2000/84/EC).
func TestLocalWithItsOffset(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone database on this computer")
	}
	was := time.Local
	t.Cleanup(func() { time.Local = was })
	time.Local = berlin
	winter, summer := time.Date(2026, 1, 5, 23, 30, 15, 0, time.UTC), time.Date(2026, 7, 5, 10, 0, 0, 0, time.UTC)
	if got := Clock(winter); got != "00:30:15" {
		t.Error(got)
	}
	if got := Day(winter); got != "2026-01-06 00:30 (UTC+01:00)" {
		t.Error(got)
	}
	if got := Day(summer); got != "2026-07-05 12:00 (UTC+02:00)" {
		t.Error(got)
	}
	if began := OfSession("2026-07-05T10-00-00Z-s0012"); At(began, 61.5) != "12:01:01" {
		t.Error(began)
	}
	if began := OfSession("evening"); !began.IsZero() || At(began, 5) != "" {
		t.Error(began)
	}
	if never := time.Unix(100, 0); Clock(never) != "" || Day(never) != NeverSet || Set(never) {
		t.Error("a clock that was never set told a time of day")
	}
}
