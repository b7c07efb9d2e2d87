package bench

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// Nine of ten gaps end within the spacing, rounded up.
func TestSpacing(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		gaps []time.Duration
		want time.Duration
	}{
		{nil, 0}, {[]time.Duration{7 * ms}, 7 * ms}, {[]time.Duration{330*ms + 1, 10 * ms}, 10 * ms},
		{[]time.Duration{1601 * ms, 1601 * ms, 1601 * ms}, 1700 * ms},
		{[]time.Duration{9 * ms, 1 * ms, 2 * ms, 3 * ms, 4 * ms, 5 * ms, 6 * ms, 7 * ms, 8 * ms, 900 * ms}, 9 * ms},
	} {
		var g Gaps
		for _, d := range c.gaps {
			g.Add(d)
		}
		if got := g.Spacing(); got != c.want {
			t.Errorf("%v: %v, want %v", c.gaps, got, c.want)
		}
	}
}

// A recording that nobody here made: its sender turns the sign of one climb, and its height
// comes twice a second (the list of its sources). Without a pad file the climb that fits
// is taken, and the spacings count.
func TestWatchingGoesByWhatARecordingShows(t *testing.T) {
	path := shared(t, "quad-crash-then-mission.pcap")
	setup, notes, err := Watching([]string{path}, &rules.Envelope{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	cfg := setup.Site.Derived.(derived.Config)
	if cfg.ClimbSource != rules.ClimbHUD || cfg.HeightSources[0] != rules.HeightGlobal {
		t.Errorf("climb from %v, height from %v", cfg.ClimbSource, cfg.HeightSources)
	}
	// More than a pad file may state counts as what it may: 0.4 s, and 2.5 of that.
	if got := cfg.Slow[rules.HeightGlobal]; got != time.Second {
		t.Errorf("a height may be %v old, want 1 s", got)
	}
	said := strings.Join(notes, "; ")
	for _, want := range []string{"climb from craft.climb.hud", "signs come seldom in it", "craft.height 520 ms (0.4 s)"} {
		if !strings.Contains(said, want) {
			t.Errorf("nothing says %q: %s", want, said)
		}
	}
}

// Where several autopilots are heard the one of which most comes is the craft, whoever
// spoke first; and a rule on what a craft never tells stops no replay.
func TestTheCraftIsTheAutopilotHeardMost(t *testing.T) {
	sent20 := func(system byte, periods map[uint32]time.Duration) (out []sent) {
		cfg := craftmodel.EightTwo()
		cfg.System, cfg.Periods = system, periods
		c, err := craftmodel.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		c.Advance(20 * time.Second)
		for _, d := range c.Frames(nil) {
			out = append(out, sent{d.At, d.Bytes})
		}
		return out
	}
	only := map[uint32]time.Duration{}
	for _, id := range []uint32{1, 2, 30, 32, 33, 36, 74, 147, 230, 241, 242, 245, 290, 291, 253} {
		only[id] = 0
	}
	stub, craft := sent20(7, only), sent20(1, map[uint32]time.Duration{36: 0, 1: 0, 147: 0})
	path := filepath.Join(t.TempDir(), "two.pcap")
	if err := os.WriteFile(path, capture(append(stub, craft...)), 0o644); err != nil {
		t.Fatal(err)
	}
	env := envelope(t, "[[rule]]\nname = \"power\"\nwatch = \"motor.highest\"\nabove = \"95 %\"\nstop = \"immediate\"\nstale_after = \"3 s\"\n\n"+
		"[[rule]]\nname = \"cell\"\nwatch = \"pack.mean_cell\"\nbelow = \"3 V\"\nstop = \"immediate\"\nstale_after = \"3 s\"\n")
	r := replayFile(t, path, env, nil)
	if r.System != 1 || len(r.NeverHeard) != 2 {
		t.Errorf("the craft is %d.%d; never heard %q; %q", r.System, r.Component, r.NeverHeard, r.Notes)
	}
}
