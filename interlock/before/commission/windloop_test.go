package commission

import (
	"errors"
	"strings"
	"testing"

	"downhaul/hw/virtual"
	"downhaul/interlock/records/prooftest"
)

// The supervised wire of the anemometer is tried as WIRING.md asks: unplugged and
// shorted, and it must read whole while the cups turn.
//
//fault:row the line that must show a cut wire of the anemometer shows none, or shows one while the cups turn | found by the proof test of the anemometer; no start without it
func TestSupervisedWireIsTried(t *testing.T) {
	lines := "kind = \"virtual\"\n[board.lines]\n"
	for _, name := range []string{"relay", "heartbeat", "buzzer", "lamp", "estop_a", "estop_b", "gate", "hold", "reset", "start", "end", "readback", "anemometer", "wind_loop"} {
		lines += name + " = \"virtual\"\n"
	}
	p := testPad(t, t.TempDir(), `kind = "virtual"`, lines)
	mends := func(name string) func(*virtual.Board) error {
		return func(b *virtual.Board) error { return b.Mend(name) }
	}
	good := []cue{
		{phrase: "Unplug the anemometer", act: breaks("anemometer")}, {phrase: "Plug it in again", act: mends("anemometer")},
		{phrase: "Short its two wires", act: breaks("anemometer")}, {phrase: "Take the short off", act: mends("anemometer")},
		{phrase: "Try once more", answer: "no"},
	}
	none := func(*virtual.Board) error { return nil }
	for _, c := range []struct {
		what   string
		before func(*virtual.Board) error
		crew   []cue
		found  string // empty: passed
	}{
		{"in order", nil, nil, ""},
		{"its line is dead", breaks("wind_loop"), nil, "wind_loop reads cut although nothing is unplugged"},
		{"a cut is not seen", nil, []cue{{phrase: "Unplug the anemometer", act: none}}, "the cut was not seen"},
		{"a short is not seen", nil, []cue{{phrase: "Short its two wires", act: none}}, "the short was not seen"},
		{"it stays cut", nil, []cue{{phrase: "Plug it in again", act: none}}, "did not come back"},
		{"its bounds lie within the signal", nil, []cue{{phrase: "Turn the anemometer", act: func(b *virtual.Board) error {
			return errors.Join(b.Turn(6), b.Break("wind_loop"))
		}}, {phrase: "stop it", act: func(b *virtual.Board) error { return errors.Join(b.Turn(0), b.Mend("wind_loop")) }}}, "read cut while the cups turned"},
	} {
		r, h, err := run(t, p, []prooftest.Test{prooftest.Anemometer}, c.before, append(c.crew, good...)...)
		if err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		if c.found == "" {
			result(t, r, prooftest.Anemometer, prooftest.Passed)
			if said := strings.Join(h.said, "\n"); !strings.Contains(said, "Unplug") || !strings.Contains(said, "Short") {
				t.Errorf("%s: not tried: %s", c.what, said)
			}
			continue
		}
		finds(t, result(t, r, prooftest.Anemometer, prooftest.Failed), c.found)
	}
}
