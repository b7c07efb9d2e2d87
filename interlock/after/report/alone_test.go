package report

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// A recording that nobody here made, with files for it: what is known of it (its list of
// sources) comes out, and what it cannot tell is said.
func TestARecordingAloneIsReported(t *testing.T) {
	path := filepath.Join("..", "..", "..", "..", "shared", "data", "telemetry", "quad-crash-then-mission.pcap")
	_, err := os.Stat(path)
	architecture.Want(t, err == nil, "the recording is not at hand beside the project")
	p, faults := pad.Read("pad.toml", []byte(`version = 1
duty = "watch"
[craft]
system = 1
component = 1
motors = 4
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[height]
source = "global"
climb = "hud"
[packs]
source = "sys_status"
cells = 3
[board]
kind = "virtual"
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	env, faults := rules.ReadEnvelope("envelope.toml", []byte("version = 1\ntitle = \"test\"\n[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstale_after = \"10 s\"\nstop = \"immediate\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for _, limits := range []*rules.Envelope{nil, env} {
		s, err := ReadAlone(context.Background(), path, Files{Pad: p, Envelope: limits}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		near := func(what string, got *Quantity, want, within float64) {
			t.Helper()
			if got == nil || math.Abs(got.Value-want) > within {
				t.Errorf("%s: %v, want %v", what, got, want)
			}
		}
		if len(s.Runs) != 2 || len(s.Packs) != 1 || (len(s.Rules) > 0) != (limits != nil) {
			t.Fatalf("%d runs, %d packs, %d episodes", len(s.Runs), len(s.Packs), len(s.Episodes))
		}
		near("armed", s.Runs[0].Begin, 26.8, 0.1)
		near("for", s.Runs[0].Lasted, 19, 0.1)
		near("armed again", s.Runs[1].Begin, 73.7, 0.1)
		near("highest", s.Runs[1].Highest, 14.64, 0.005)
		near("resistance", s.Packs[0].Resistance, 0.039, 0.001)
		near("largest current", s.Packs[0].Most, 24.51, 0.005)
		crash := false
		for _, w := range s.Words {
			crash = crash || w.Severity == "error" && strings.HasPrefix(w.Text, "Crash") && math.Abs(w.At.Value-44.7) < 0.05
		}
		if !crash || !s.Alone || !contains(s.Integrity.Says, "tells nothing") {
			t.Errorf("words %v, says %v", s.Words, s.Integrity.Says)
		}
		r := Of(s.Began, "test", []*Session{s}, nil, Asked{})
		if r.Shown() != nil || !r.Found() {
			t.Errorf("shown %v, found %v", r.Shown(), r.Found())
		}
		var page strings.Builder
		if err := r.WritePage(&page); err != nil || !strings.Contains(page.String(), "Crash: Disarming") || strings.Contains(page.String(), "last chain value") {
			t.Errorf("page: %v", err)
		}
	}
}
