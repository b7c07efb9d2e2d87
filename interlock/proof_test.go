package interlock

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
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
	site.Rotors = rules.RotorsStanding{}
	e, err := New(seed.env, site)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Second
	host := func(h Host, on bool, seq uint32) {
		at += time.Second
		e.Step(at, &Input{Kind: HostInput, Host: h, On: on, Seq: seq})
	}
	if unmet(e, NeedProof) || !unmet(e, NeedStopProven) || e.latch.rotorWindow() != 10*time.Second {
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
	host(HostStopTime, false, 3000)
	if !unmet(e, NeedStopProven) || e.latch.rotorWindow() != 6*time.Second {
		t.Errorf("stated as 3 s: unmet %v, window %v, want the stop unproven and twice that", unmet(e, NeedStopProven), e.latch.rotorWindow())
	}
	host(HostStopTime, true, 2400)
	if unmet(e, NeedStopProven) || e.latch.rotorWindow() != 4800*time.Millisecond {
		t.Errorf("proven in 2.4 s: unmet %v, window %v, want twice that", unmet(e, NeedStopProven), e.latch.rotorWindow())
	}
	host(HostStopTime, false, 3000)
	if !unmet(e, NeedStopProven) {
		t.Error("a stop that no longer counts as measured proves itself still")
	}
}

// A standing craft's predicted apex grows with the time until the thrust is
// gone, which the host tells; it never counts on less than the pad file states.
// With twice the weight of thrust, 0.5, 1.2 and 3 s take it to 2.5, 14 and 88 m:
// g·T² (uniform acceleration by g for T, then a coast as high again).
func TestReactionByTheHost(t *testing.T) {
	r := newRig(t, `version = 1
title = "t"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "200 m"
stop = "immediate"
`, func(s *Site) { derive(s, func(c *derived.Config) { c.MaxAcceleration = 2 * derived.Gravity }) })
	r.run(2 * time.Second)
	apex := func(ms uint32) float64 {
		r.step(Input{Kind: HostInput, Host: HostReaction, On: true, Seq: ms})
		r.run(time.Second)
		return r.e.Reading(rules.Apex).Value
	}
	stated := r.e.Reading(rules.Apex).Value
	g := derived.Gravity
	for _, ms := range []uint32{500, 1200, 3000} {
		T := float64(ms) / 1000
		if got, want := apex(ms), g*T*T; math.Abs(got-want) > 1e-6*want {
			t.Errorf("%d ms: %v m, want %v", ms, got, want)
		}
	}
	if got := apex(1); got != stated {
		t.Errorf("a shorter time than the pad file's takes the apex to %v, want %v", got, stated)
	}
	if got := apex(math.MaxUint32); got > 9.81*3600 {
		t.Errorf("no bound: %v m", got)
	}
}
