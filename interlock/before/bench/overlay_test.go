package bench

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/before/bench/overlay"
	"downhaul/interlock/records/recording"
)

// overlaid replays a modelled craft of 30 s with faults laid over it.
func overlaid(t *testing.T, scenario, limits string) *Result {
	t.Helper()
	path := filepath.Join(t.TempDir(), "calm.pcap")
	if err := os.WriteFile(path, capture(modelled(t, 30)), 0o644); err != nil {
		t.Fatal(err)
	}
	env := envelope(t, limits)
	setup, _, err := Watching([]string{path}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	var how []Option
	if scenario != "" {
		s, err := overlay.Read("scenario.txt", []byte(scenario))
		if err != nil {
			t.Fatal(err)
		}
		how = append(how, With(s.Clone()))
	}
	r, err := Replay(path, rec, setup, how...)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Each fault that can be laid over a recording does what its words say, at its time and
// no other; the recording alone trips nothing.
func TestFaultsAreLaidOverARecording(t *testing.T) {
	const limits = "[[rule]]\nname = \"volts\"\nwatch = \"pack.voltage\"\nbelow = \"20 V\"\nstop = \"immediate\"\nstale_after = \"3 s\"\n\n" +
		"[[rule]]\nname = \"lag\"\nwatch = \"link.lag\"\nabove = \"500 ms\"\nstop = \"immediate\"\nstale_after = \"10 s\"\n\n" +
		"[[rule]]\nname = \"loss\"\nwatch = \"link.loss\"\nabove = \"30 %\"\nstop = \"immediate\"\nstale_after = \"10 s\"\n"
	for _, c := range []struct {
		scenario, rule string
		from, to       float64 // when the first trip comes; 0: none
	}{
		{"", "", 0, 0},
		{"title silence\nat 10 s fault telemetry stops for 3 s\n", "built-in", 10.4, 10.7},
		{"at 10 s fault telemetry lags 1 s for 5 s\n", "built-in", 10.4, 10.7}, // a second passes before the first
		{"at 10 s fault telemetry loses 67 % for 15 s\n", "", 10.1, 16},
		{"at 10 s fault pack.voltage off by -40 V for 5 s\n", "volts", 10, 11},
		{"at 10 s fault pack.voltage missing for 8 s\n", "volts", 12, 14},
		{"at 10 s fault reboot\n", "built-in", 10.4, 10.7},
		{"at 10 s pad telemetry doubles for 2 s\n", "built-in", 10, 10.1},
		{"at 10 s fault pack.voltage frozen for 5 s\n", "", 0, 0},
		{"at 40 s fault telemetry stops\n", "", 0, 0},
	} {
		r := overlaid(t, c.scenario, limits)
		if c.from == 0 {
			if len(r.Trips) != 0 {
				t.Errorf("%q: %+v", c.scenario, r.Trips[0])
			}
			continue
		}
		if len(r.Trips) == 0 {
			t.Errorf("%q: no trip; %+v", c.scenario, r.Link)
			continue
		}
		if e := r.Trips[0]; e.AtS < c.from || e.AtS > c.to || !strings.HasPrefix(e.Rule, c.rule) {
			t.Errorf("%q: %s at %v s, want %s at %v to %v", c.scenario, e.Rule, e.AtS, c.rule, c.from, c.to)
		}
		if !slices.ContainsFunc(r.Notes, func(n string) bool { return strings.HasPrefix(n, "laid over it: at 10 s") }) {
			t.Errorf("%q: notes %q", c.scenario, r.Notes)
		}
		if lags := slices.ContainsFunc(r.Trips, func(e Event) bool { return e.Rule == "lag" && e.AtS > 10.9 && e.AtS < 11.5 }); lags != strings.Contains(c.scenario, "lags") {
			t.Errorf("%q: lag told: %v", c.scenario, lags)
		}
		restarted := slices.ContainsFunc(r.Trips, func(e Event) bool { return e.effect.Reason == interlock.ReasonRestart })
		if restarted != strings.Contains(c.scenario, "reboot") {
			t.Errorf("%q: restart told: %v", c.scenario, restarted)
		}
	}
	for text, want := range map[string]string{
		"":                                   "no fault in it",
		"from hover\n":                       "title or at",
		"at 5 fault reboot\n":                "",
		"at 5 s fault craft.tilt frozen\n":   "worked out from others",
		"at 5 s fault nonsense frozen\n":     "no channel is called",
		"at 5 s fault telemetry sings\n":     "",
		"at 5 s fault pack.voltage off by 3": "has no unit",
	} {
		if _, err := overlay.Read("s.txt", []byte(text)); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "s.txt") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A fault that meets nothing is told: nobody must take it for one that the guard bore.
func TestAFaultThatMeetsNothingIsTold(t *testing.T) {
	const limits = "[[rule]]\nname = \"volts\"\nwatch = \"pack.voltage\"\nbelow = \"20 V\"\nstop = \"immediate\"\nstale_after = \"3 s\"\n"
	r := overlaid(t, "at 10 s fault pack.voltage off by -2 V for 5 s\nat 600 s fault telemetry stops for 3 s\nat 5 s fault tether.tension missing\n", limits)
	var vain []string
	for _, n := range r.Notes {
		if line, ok := strings.CutPrefix(n, "laid over it in vain: "); ok {
			vain = append(vain, line)
		}
	}
	if len(vain) != 2 || !strings.HasPrefix(vain[0], "at 600 s") || !strings.HasPrefix(vain[1], "at 5 s fault tether.tension") {
		t.Errorf("%q", vain)
	}
}
