package prove

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// sequence is the way from a trip back to live: nothing of it may be left out,
// and nothing goes by itself.
func (t *builtins) sequence() {
	site := &t.p.setup.Site
	if !site.Fitted[interlock.Reset] || !site.Fitted[interlock.Start] {
		t.moot("reset and start", "not fitted on this pad")
		return
	}
	// stays means that a way of pressing leads nowhere.
	stays := func(name string, base *rig, in interlock.State, says string, act func(r *rig)) {
		r := from(base)
		act(r)
		fault := ""
		if s := r.state(); s != in || r.relay {
			fault = fmt.Sprintf("it led from %v to %v", in, s)
		}
		t.add(name, fault, says)
	}
	tripped := from(t.b.air)
	tripped.host(intake.HostMessage{Host: interlock.HostStalled, On: true})
	for id := rules.Motor1Output; id <= rules.Motor16Speed; id++ {
		tripped.sc.put(id, 0) // with power off the rotors stand
	}
	tripped.run(100 * time.Millisecond)
	stays("nothing resumes by itself", tripped, interlock.Tripped, "tripped stays tripped", func(r *rig) { r.run(20 * time.Second) })
	stays("reset while armed", tripped, interlock.Tripped, "refused", func(r *rig) { r.press(interlock.Reset, r.resetHold()) })

	down := from(tripped)
	t.p.settleDown(&down.sc, true)
	down.rest()
	down.run(max(2*site.Rotors.Standing, 3*time.Second) + site.ReadyAfter + 3*time.Second)
	stays("start without reset", down, interlock.Tripped, "refused", func(r *rig) { r.press(interlock.Start, 200*time.Millisecond); r.run(5 * time.Second) })
	stays("reset held only", down, interlock.Tripped, "acts on the release, not on the press", func(r *rig) { r.set(interlock.Reset, true); r.run(r.resetHold()) })
	stays("reset too short", down, interlock.Tripped, "refused", func(r *rig) { r.press(interlock.Reset, site.ResetShortest/2) })
	stays("reset taped down", down, interlock.Tripped, "refused", func(r *rig) { r.press(interlock.Reset, site.ResetLongest+100*time.Millisecond) })
	if site.Fitted[interlock.EStopA] {
		stays("reset with the stop pressed", down, interlock.Tripped, "refused", func(r *rig) {
			r.lines[interlock.EStopA], r.lines[interlock.EStopB] = false, false
			r.press(interlock.Reset, r.resetHold())
		})
	}
	unkept := from(t.b.air)
	unkept.core = &wrongCore{core: unkept.core, in: withoutHost(interlock.HostKept)}
	unkept.host(intake.HostMessage{Host: interlock.HostStalled, On: true})
	unkept.run(100 * time.Millisecond)
	t.p.settleDown(&unkept.sc, true)
	unkept.rest()
	unkept.run(max(2*site.Rotors.Standing, 3*time.Second) + site.ReadyAfter + 3*time.Second)
	stays("reset before the record is kept", unkept, interlock.Tripped, "refused", func(r *rig) { r.press(interlock.Reset, r.resetHold()) })

	r := from(down)
	r.press(interlock.Reset, r.resetHold())
	r.run(t.p.patience())
	fault := ""
	if s := r.state(); s != interlock.Ready || r.relay {
		fault = fmt.Sprintf("after a proper reset it is %v, not ready and open", s)
	}
	t.add("reset", fault, "leads to ready, and starts nothing")

	stays("start held from before", t.b.ready, interlock.Blocked, "a button that was on before does not start", func(r *rig) {
		r.set(interlock.Gate, false)
		r.set(interlock.Start, true)
		r.run(time.Second)
		if !site.Fitted[interlock.Gate] {
			r.host(intake.HostMessage{Host: interlock.HostStalled, On: true})
		}
		r.set(interlock.Gate, true)
		r.run(5 * time.Second)
	})
	t.closing()
}

// closing is the start itself: the horn first, the chain tested, then power.
func (t *builtins) closing() {
	site := &t.p.setup.Site
	r := from(t.b.ready)
	r.set(interlock.Start, true)
	at := r.now
	early, both := "", time.Duration(0)
	end := at + site.Horn + site.PickUp + time.Second
	for r.now < end {
		r.run(2 * time.Millisecond)
		if r.relay && r.beat && both == 0 {
			both = r.now
		}
		if r.now < at+site.Horn && r.relay && r.beat {
			early = fmt.Sprintf("relay and heartbeat ran together %s after the start, before the horn's %s were over", ms(r.now-at), ms(site.Horn))
		}
	}
	fault := early
	relay := find(r.log, interlock.RelayEffect, func(e *event) bool { return e.On && e.At < at+site.Horn })
	beat := find(r.log, interlock.BeatEffect, func(e *event) bool { return e.On && e.At < at+site.Horn })
	switch {
	case fault != "":
	case r.state() != interlock.Live:
		fault = fmt.Sprintf("a proper start led to %v", r.state())
	case relay == nil || beat == nil:
		fault = "the chain was not tested with one half at a time"
	}
	t.add("start", fault, fmt.Sprintf("horn %s, each half of the chain alone, then power", ms(site.Horn)))

	// turning takes a fresh pad with the outputs up.
	r = from(t.b.ready)
	d, _ := t.p.driveOf(rules.MotorHighest)
	if d == nil || len(d.moves) == 0 || site.Fed[d.moves[0]] == 0 {
		t.moot("start with outputs up", "this pad is told no motor outputs")
		return
	}
	r.set(interlock.Start, true)
	r.run(time.Second)
	d.set(&r.sc, site.IdleOutput+0.1)
	r.run(site.Horn + site.PickUp + time.Second)
	fault = ""
	if s := r.state(); s == interlock.Live || r.relay {
		fault = "power came on with the motor outputs up"
	}
	t.add("start with outputs up", fault, "refused")
}
