package rehearsal

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/session"
	"downhaul/rules"
)

// A crew that ends a rehearsal on the virtual board in the air leaves no fault of a chain
// behind: the contactor is seen open before the guard ends.
func TestEndedInTheAirIsNoFault(t *testing.T) {
	switch {
	case runtime.GOOS != "linux":
		t.Skip("a guard runs on linux")
	case testing.Short():
		t.Skip("takes a crew's time to come to live; left out by -short")
	}
	// Not beside the flights of the others: they take all the time that a live guard needs.
	dir, err := os.MkdirTemp("", "dh")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	set, err := Prepare(usual.files(), "", dir, true)
	if err != nil {
		t.Fatal(err)
	}
	link, err := FreePort()
	if err != nil {
		t.Fatal(err)
	}
	own, err := set.Live(dir, link)
	if err != nil {
		t.Fatal(err)
	}
	scenario, err := own.Shipped(Calm)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go func() {
		var board *virtual.Client
		for board == nil && ctx.Err() == nil {
			time.Sleep(100 * time.Millisecond)
			board, _ = virtual.Dial(filepath.Join(dir, "board.sock"))
		}
		tap := func(name string) { _ = board.Press(name); time.Sleep(300 * time.Millisecond); _ = board.Release(name) }
		_ = board.CloseContact("gate")
		_ = board.Press("hold")
		for end := time.Now().Add(3 * time.Minute); time.Now().Before(end); time.Sleep(500 * time.Millisecond) {
			if s, err := board.Show(); err == nil && s.Power {
				break
			}
			tap("reset")
			tap("start")
		}
		stop()
	}()
	r, err := own.FlyLive(ctx, Calm, scenario, func(Line) {})
	if err != nil {
		t.Fatal(err)
	}
	s, err := session.Open(r.Session)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := s.Ending(); err != nil || e.How == session.InFault || e.Trips == 0 {
		t.Errorf("it ended %q: %s, %v", e.How, e.Says, err)
	}
}

// What is waited for names things as they are called, digits and all, and is no news while
// only a figure moves.
func TestWaitsForNamesThings(t *testing.T) {
	wait := func(state string, why ...string) string { return WaitsFor(&told.Status{State: state, NotReady: why}) }
	if got := wait("blocked", "gust: wind.gust3s must be 5.5 m/s or less; now 7 m/s"); got != "for: gust: wind.gust3s must be 5.5 m/s or less" {
		t.Error(got)
	}
	two, one := wait("blocked", "it counts as disarmed in 2 s"), wait("blocked", "it counts as disarmed in 1 s")
	if !SameWait(two, one) || SameWait(two, wait("blocked", "gate open")) {
		t.Errorf("%q, %q", two, one)
	}
	if live, lowering := wait("live"), wait("lowering"); live != "for end, once the step is done" || lowering != "until it is down, or time is up" {
		t.Errorf("%q, %q", live, lowering)
	}
}

// A rule that is proposed reads in the units of the crew's own limits.
func TestProposedRuleInTheReadersUnits(t *testing.T) {
	s := &Setup{Files: usual.files()}
	s.Checked.Envelope = &rules.Envelope{Units: "imperial"}
	for _, c := range [][3]string{{"craft.climb", "1.5 m/s", "3.4 mph"}, {"craft.tilt", "30 deg", "30 deg"}, {"craft.climb", "odd", "odd"}} {
		if got := s.inUnits(c[0], c[1]); got != c[2] {
			t.Errorf("%s: %s, want %s", c[1], got, c[2])
		}
	}
}
