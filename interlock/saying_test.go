package interlock

import (
	"strings"
	"testing"

	"downhaul/rules"
)

// A start that a missing channel holds back says what mends it, where the cause knows.
func TestAStartSaysWhatAMissingChannelWants(t *testing.T) {
	var v View
	for cause, want := range map[rules.Cause]string{
		rules.NoFullOutput: "craft.lift_reserve: missing: this craft's pull at full output is not on record ([full_output] in the pad file); watch motor.highest or motor.headroom instead",
		rules.LocalFits:    `craft.climb.local fits (climb = "local" under [height])`,
		rules.TooSlow:      "voltage and current come more than 2.5 s apart",
	} {
		got := v.Say(nil, Unmet{Need: NeedChannel, Index: int(rules.LiftReserve), Cause: cause, Since: rules.Never})
		if !strings.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
