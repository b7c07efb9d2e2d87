package bench

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
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
