package bench

import (
	"fmt"
	"math"
	"testing"

	"downhaul/interlock/day/derived"
)

// For how long a limit of a real flight was passed, how often, the worst, and for how
// long the rule was blind, against readings decoded by libraries and plain arithmetic.
func TestTimesOfARealFlightWorkedOutApart(t *testing.T) {
	path := shared(t, "quad-crash-then-mission.pcap")
	_, tilts := pcapReadings(t, path)
	const deg = math.Pi / 180
	for _, limit := range []float64{20, 35, 100} {
		overs, over, worst, worstAt := uint64(0), 0.0, 0.0, 0.0
		for i, x := range tilts {
			if x.v > limit*deg {
				if i == 0 || tilts[i-1].v <= limit*deg {
					overs++
				}
				over += tilts[i+1].at - x.at
			}
			if x.v > worst {
				worst, worstAt = x.v, x.at
			}
		}
		rule := func(stale string) Headroom {
			env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \""+fmt.Sprint(limit)+" deg\"\nstale_after = \""+stale+"\"\nstop = \"immediate\"\n")
			return replayFile(t, path, env, hudPad(t)).Headroom[0]
		}
		h := rule("30 s")
		if h.Overs != overs || overs == 0 {
			t.Errorf("past %v degrees %d times, worked out %d", limit, h.Overs, overs)
		}
		near(t, "time past the limit", h.OverS, over, 1e-3)
		near(t, "worst", -*h.Least, worst-limit*deg, 1e-6)
		near(t, "worst at", h.AtS, worstAt, 1e-3)
		blind, gaps := tilts[0].at, 1.0
		for i := range tilts[1:] {
			if gap := tilts[i+1].at - tilts[i].at; gap > 0.3 {
				blind, gaps = blind+gap-0.3, gaps+1
			}
		}
		h = rule("300 ms")
		near(t, "blind", h.BlindS, blind, 0.1*gaps)
		near(t, "in force", h.InForceS, 197.3, 0.2)
		if gaps < 20 || blind < 3 {
			t.Errorf("%v gaps, %v s blind: too little to prove anything", gaps, blind)
		}
	}
}

// Motors are counted by the outputs that an armed craft moves, the source of height by
// what it sends, cells by the voltage. By the list of sources, a quadrotor with three
// cells whose other outputs are not 0; the second recording is of a quadrotor too.
func TestWhatIsGuessedWithoutAPad(t *testing.T) {
	for name, cells := range map[string]int{"quad-crash-then-mission.pcap": 3, "sim-lossy.raw": 3} {
		setup, notes, err := Watching([]string{shared(t, name)}, envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n"), nil)
		if err != nil {
			t.Fatal(err)
		}
		if d := setup.Site.Derived.(derived.Config); d.Motors != 4 || d.Cells != cells || len(d.HeightSources) != 1 {
			t.Errorf("%s: %d motors, %d cells, height from %v: %v", name, d.Motors, d.Cells, d.HeightSources, notes)
		}
	}
	// Before it is armed nothing tells motors from what else is driven.
	seen := heard{}
	p := [64]byte{4: 0xDC, 5: 5, 6: 0xDC, 7: 5} // two outputs at 1500 µs
	seen.moved(&p)
	if n, says := seen.motorCount(); n != 2 || len(says) == 0 {
		t.Errorf("never armed: %d, %s", n, says)
	}
	seen.armed, seen.wasArmed = true, true
	seen.moved(&p)
	p[4] += 100
	seen.moved(&p)
	if n, _ := seen.motorCount(); n != 1 {
		t.Errorf("one of two moves while armed: %d", n)
	}
}
