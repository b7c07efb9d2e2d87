package report

import (
	"strings"
	"testing"

	"downhaul/interlock/after/report/lift"
)

// What may be put on is never told as more than it was reckoned, nor what is left;
// and a range is never told narrower.
func TestForecastRoundsToTheSafeSide(t *testing.T) {
	s := lift.StepForecast{Numbers: true, Shown: true, Headroom: lift.Estimate{Mid: 0.12378}, Sag: lift.Estimate{Mid: 1.2314},
		Reserve: lift.Estimate{Low: 0.29996, Mid: 0.355, High: 0.41001}, Take: &lift.Take{LargestMass: 43.9, LargestBallast: 12.897}}
	for units, want := range map[string][]string{
		"metric":   {"12.8 kg", "12.3 % left", "1.24 V of sag", "29.9 %", "41.1 %"},
		"imperial": {"28.4 lb"},
	} {
		var all []string
		for _, r := range s.Rows(units, &lift.Requirement{}) {
			all = append(all, r.Mid+r.Unit, r.Low+r.Unit, r.High+r.Unit, r.Note)
		}
		for _, w := range want {
			if text := strings.Join(all, "; "); !strings.Contains(text, w) {
				t.Errorf("%s: no %s in %s", units, w, text)
			}
		}
	}
}
