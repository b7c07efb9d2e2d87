package interlock

import (
	"testing"
	"time"
)

// A proof test that is overdue, and a stop that nobody proved, each keep a
// guard from being ready; the host takes both back, and the proven time sets
// how long the rotors are given.
func TestProofTestsAndStopTimeByTheHost(t *testing.T) {
	unmet := func(e *Engine, n Need) bool {
		found := false
		e.eachUnmet(func(u Unmet) bool { found = found || u.Need == n; return true })
		return found
	}
	seed := busyRig(t).e
	site := seed.site
	site.StopProven, site.StopTime = false, 0
	e, err := New(seed.env, site)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Second
	host := func(h Host, on bool, seq uint32) {
		at += time.Second
		e.Step(at, Input{Kind: HostInput, Host: h, On: on, Seq: seq})
	}
	if unmet(e, NeedProof) || !unmet(e, NeedStopProven) || e.rotorWindow() != 10*time.Second {
		t.Fatal("a guard that was told nothing has a proof test due, or a stop time")
	}
	host(HostProof, true, 0)
	host(HostProof, true, 63)
	host(HostProof, true, 64) // there is none
	host(HostProof, false, 0)
	if !unmet(e, NeedProof) {
		t.Error("the second of two overdue tests was forgotten")
	}
	host(HostProof, false, 63)
	if unmet(e, NeedProof) {
		t.Error("a test that is in force again still counts as overdue")
	}
	host(HostStopTime, false, 2400)
	if !unmet(e, NeedStopProven) {
		t.Error("a stop time that was not told on proves the stop")
	}
	host(HostStopTime, true, 2400)
	if unmet(e, NeedStopProven) || e.rotorWindow() != 4800*time.Millisecond {
		t.Errorf("proven in 2.4 s: unmet %v, window %v, want twice that", unmet(e, NeedStopProven), e.rotorWindow())
	}
}
