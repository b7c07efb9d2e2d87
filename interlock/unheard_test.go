package interlock

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

var tripLine = regexp.MustCompile(`^[0-9.]+ s ((of )?trip .*)$`)

// trips returns what was told as a trip or behind one, without its time.
func (r *rig) trips() (out []string) {
	for _, s := range r.take() {
		if m := tripLine.FindStringSubmatch(s); m != nil {
			out = append(out, m[1])
		}
	}
	return out
}

// tiltRule misses the craft 300 ms before the link does.
const tiltRule = `
version = 1
title = "test"
[[rule]]
name = "tilt"
watch = "craft.roll"
outside = ["-30 deg", "30 deg"]
caution = ["-20 deg", "20 deg"]
frozen_after = 0
stop = "immediate"
`

const ceilingRule = `
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "22 ft"
stale_after = "2 s"
stop = "immediate"
`

const overloadRule = `
[[rule]]
name = "overload"
watch = "tether.tension"
above = "1800 N"
caution = "1400 N"
lasting = "400 ms"
stop = "immediate"
`

// silentCase is something that happens to a craft that hovers, and the trips that it
// must leave, with what belongs to each.
type silentCase struct {
	what, envelope string
	change         func(*Site)
	happens        func(r *rig)
	want           []string
}

func (c *silentCase) try(t *testing.T) {
	r := silentRig(t, c.envelope, func(s *Site) {
		s.StillRotor = 100
		derive(s, func(c *derived.Config) { c.MaxAcceleration = 14 })
		if c.change != nil {
			c.change(s)
		}
	})
	r.quiet, r.out = false, nil
	c.happens(r)
	r.run(4 * time.Second)
	if got := r.trips(); !slices.Equal(got, c.want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
	}
}

// A silence of the craft is one trip, whatever misses it first, and what opened the
// relay stands behind it. A value that had left its caution or limit as it was last
// heard is the first cause, and the silence stands behind that.
//
//fault:row the link goes silent in a calm hover, and attitude is missed first | first cause: nothing heard from the craft, since when; one trip, and what was missed behind it
//fault:row the link goes silent, and the predicted apex grows past the ceiling | first cause: nothing heard from the craft; one trip
//fault:row a value is in caution or past its limit, then the link goes silent | first cause: that value, then nothing heard from the craft
func TestSilenceIsTheFirstCause(t *testing.T) {
	for _, c := range []silentCase{
		{"link lost in a calm hover", tiltRule + ceilingRule, nil, func(r *rig) { r.lost() }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"of trip 1, immediate: past a limit [ceiling] at 6.7056, limit 6.7056",
			"of trip 1, immediate: channel missing [ceiling] (too old)"}},
		{"the predicted apex grows", "version = 1\ntitle = \"t\"\n" + ceilingRule, func(s *Site) { s.LinkStale = 3 * time.Second }, func(r *rig) { r.lost() }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.813 s",
			"of trip 1, immediate: past a limit [ceiling] at 6.7056, limit 6.7056",
			"of trip 1, immediate: channel missing [ceiling] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"nothing but the link is missed in time", "version = 1\ntitle = \"t\"\n" + overloadRule, nil, func(r *rig) { r.lost() }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.500 s"}},
		{"in caution, then silence", tiltRule, nil, func(r *rig) {
			r.set(rules.Roll, 0.4, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [tilt] at 0.4, limit 0.349066 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"in caution by a rule of the air, then silence", tiltRule + "while = \"airborne\"\n", nil, func(r *rig) {
			r.set(rules.Roll, 0.4, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [tilt] at 0.4, limit 0.349066 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"in caution on the low side, and another past its limit, then silence", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Roll, -0.4, rules.Good)
			r.set(rules.Tension, 1850, rules.Good)
			r.run(50 * time.Millisecond)
			r.set(rules.Tension, 1500, rules.Good) // in caution again
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [tilt] at -0.4, limit -0.349066 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"one in caution, and a later one past its limit, then silence", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Roll, -0.4, rules.Good)
			r.set(rules.Tension, 1850, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
			r.run(250 * time.Millisecond)
			r.set(rules.Tension, 500, rules.Good)
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [overload] at 1850, limit 1800 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"told to be missing, and a later one in caution, then silence", tiltRule + overloadRule, func(s *Site) { s.LinkStale = 120 * time.Millisecond }, func(r *rig) {
			r.set(rules.Roll, 0, rules.Missing)
			r.set(rules.Tension, 1500, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [tilt] for 0.120 s (the sender says unknown)",
			"of trip 1, immediate: channel missing [tilt] (the sender says unknown)"}},
		{"back from the caution, then silence", tiltRule, nil, func(r *rig) {
			r.set(rules.Roll, 0.4, rules.Good)
			r.run(50 * time.Millisecond)
			r.set(rules.Roll, 0, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"past a limit for a while, then silence", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Tension, 1900, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [overload] at 1900, limit 1800 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: past a limit [overload] at 1900, limit 1800",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"the first rule of the file past its limit for a while, then silence", overloadRule1 + strings.Replace(tiltRule, "\nversion = 1\ntitle = \"test\"", "", 1), nil, func(r *rig) {
			r.set(rules.Tension, 1900, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [overload] at 1900, limit 1800 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: past a limit [overload] at 1900, limit 1800",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"the time of a limit runs out in a silence", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Tension, 1900, rules.Good)
			r.run(300 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: past a limit [overload] at 1900, limit 1800",
			"trip 2, immediate: nothing heard from the craft for 0.200 s",
			"of trip 2, immediate: channel missing [tilt] (too old)",
			"of trip 2, immediate: nothing heard from the craft"}},
		{"past a limit, then silence", tiltRule, nil, func(r *rig) {
			r.set(rules.Roll, 0.6, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: past a limit [tilt] at 0.6, limit 0.523599",
			"trip 2, immediate: nothing heard from the craft for 0.200 s",
			"of trip 2, immediate: channel missing [tilt] (too old)",
			"of trip 2, immediate: nothing heard from the craft"}},
		{"one channel stops while the link lives", tiltRule, nil, func(r *rig) { r.silence(rules.Roll) }, []string{
			"trip 1 first-out, immediate: channel missing [tilt] (too old)"}},
		{"one channel stops long before the link", tiltRule, nil, func(r *rig) {
			r.silence(rules.Roll)
			r.run(120 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: channel missing [tilt] (too old)",
			"trip 2, immediate: nothing heard from the craft for 0.500 s"}},
		{"the pad's own sensor stops while the link lives", overloadRule1, nil, func(r *rig) { r.silence(rules.Tension) }, []string{
			"trip 1 first-out, immediate: channel missing [overload] (too old)"}},
		{"the pad's own sensor stops with the link", tiltRule + overloadRule, nil, func(r *rig) {
			r.silence(rules.Tension)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: channel missing [overload] (too old)",
			"trip 2, immediate: nothing heard from the craft for 0.200 s",
			"of trip 2, immediate: channel missing [tilt] (too old)",
			"of trip 2, immediate: nothing heard from the craft"}},
		{"heard again, and lost again before the reset", tiltRule, nil, func(r *rig) {
			r.lost()
			r.run(250 * time.Millisecond)
			r.heard()
			r.run(time.Second)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"trip 2, immediate: nothing heard from the craft for 0.500 s"}},
		{"in duty watch each silence is a trip", tiltRule, watchDuty, func(r *rig) {
			r.lost()
			r.run(250 * time.Millisecond)
			r.heard()
			r.run(time.Second)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"trip 2 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 2, immediate: channel missing [tilt] (too old)",
			"of trip 2, immediate: nothing heard from the craft"}},
		{"lost while it is brought down at the end", "version = 1\ntitle = \"t\"\n" + overloadRule, nil, func(r *rig) {
			r.press(End, 100*time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.300 s",
			"of trip 1, immediate: height lost while being brought down",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"climbing while it is brought down, then silence", "version = 1\ntitle = \"t\"\n" + overloadRule, nil, func(r *rig) {
			r.press(End, 100*time.Millisecond)
			r.set(rules.ClimbGlobal, 0.8, rules.Good)
			r.run(50 * time.Millisecond)
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft at 0.8, limit 0 for 0.300 s",
			"of trip 1, immediate: height lost while being brought down",
			"of trip 1, immediate: nothing heard from the craft"}},
	} {
		t.Run(c.what, c.try)
	}
}

const overloadRule1 = "version = 1\ntitle = \"t\"\n" + overloadRule

// In a step on the ground the height is missed first; the load cell in the tie-down
// is the pad's own.
func TestSilenceInAStepOnTheGround(t *testing.T) {
	for _, c := range []struct {
		happens func(r *rig)
		want    []string
	}{
		{func(r *rig) { r.lost() }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.300 s",
			"of trip 1, immediate: height or pull of the tie-down missing in a step on the ground",
			"of trip 1, immediate: nothing heard from the craft"}},
		{func(r *rig) { r.silence(rules.Tension); r.lost() }, []string{
			"trip 1 first-out, immediate: channel missing [overload] (too old)",
			"trip 2, immediate: nothing heard from the craft for 0.500 s"}},
		{func(r *rig) { r.silence(rules.HeightGlobal) }, []string{
			"trip 1 first-out, immediate: height or pull of the tie-down missing in a step on the ground"}},
	} {
		r := newRig(t, "version = 1\ntitle = \"t\"\n"+overloadRule, func(s *Site) { s.Fed[rules.Tension], s.StillRotor = rules.OwnSensor, 100 })
		r.set(rules.Tension, 500, rules.Good)
		r.step(Input{Kind: HostInput, Host: HostGround, On: true, Seq: 100_000})
		r.live()
		r.out = nil
		c.happens(r)
		r.run(2 * time.Second)
		if got := r.trips(); !slices.Equal(got, c.want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}

// With two links of one craft, the craft is heard as long as one of them lives: what
// only the other one told is missing by itself.
func TestSilenceOfOneLinkOfTwoIsNoSilenceOfTheCraft(t *testing.T) {
	r := silentRig(t, tiltRule, nil)
	r.quiet, r.out = false, nil
	for i := range r.values {
		r.values[i].silent = true // what the other link told; frames come in on this one
	}
	r.run(time.Second)
	if got, want := r.trips(), []string{"trip 1 first-out, immediate: channel missing [tilt] (too old)"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// One trip, one number: the records that must be kept before a reset, and the latch's
// own reason, follow the silence.
func TestSilenceCountsOnceAndIsResetAsOne(t *testing.T) {
	r := silentRig(t, tiltRule+ceilingRule, nil)
	r.lost()
	r.run(3 * time.Second)
	var v View
	r.e.View(&v)
	if v.Trips != 1 || v.Kept != 1 || v.First.Reason != ReasonLink || v.Why != ReasonLink {
		t.Errorf("%d trips, %d kept, first %v, latch by %v; want one silence", v.Trips, v.Kept, v.First.Reason, v.Why)
	}
	r.heard()
	r.again()
	r.fly()
	r.glide(3, 3*time.Second)
	r.quiet, r.out = false, nil
	r.lost()
	r.run(time.Second)
	if got := r.trips(); len(got) == 0 || got[0] != fmt.Sprintf("trip %d first-out, immediate: nothing heard from the craft for 0.200 s", v.Trips+1) {
		t.Errorf("the next silence after a reset: %q", got)
	}
}
