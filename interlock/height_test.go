package interlock

import (
	"strings"
	"testing"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// A height that was off before a start and is missing now is not said to read 0.
func TestHeightThatWasOffAndIsMissing(t *testing.T) {
	r := busyRig(t, func(*Site) {})
	says := func() string {
		var v View
		r.e.View(&v)
		var all []string
		for _, u := range v.Unmet {
			if u.Need == NeedHeight {
				all = append(all, v.Say(r.e.env, u))
			}
		}
		return strings.Join(all, "; ")
	}
	r.e.heightOff = true
	r.e.readings()[rules.Height] = limits.Reading{Value: -1.5, Quality: rules.Good}
	if got := says(); !strings.HasPrefix(got, "the height reads -1.5 m before the start") {
		t.Errorf("told, it is %q", got)
	}
	r.e.readings()[rules.Height] = limits.Reading{Cause: rules.Sentinel}
	if got, want := says(), "the height was off before the start, and is missing now: "+rules.Sentinel.String(); got != want {
		t.Errorf("missing, it is %q, want %q", got, want)
	}
}
