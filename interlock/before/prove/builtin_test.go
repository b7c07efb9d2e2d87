package prove

import (
	"fmt"
	"net/netip"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// builtins proves what is no rule of the envelope and cannot be removed, on any pad.
type builtins struct {
	p   *plan
	b   *bases
	out []Case
}

func (t *builtins) add(name, fault, says string) {
	t.out = append(t.out, judged(name, fault, says))
}

// moot puts in what this pad has not.
func (t *builtins) moot(name, why string) {
	t.out = append(t.out, Case{Name: name, Outcome: Moot, Says: why})
}

// unread is a door behind which nobody reads the input lines any more.
type unread struct{ door }

func (u unread) clone() door { return unread{u.door.clone()} }

func (u unread) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if c.Source == intake.Pins {
		return dst
	}
	return u.door.Append(dst, c)
}

// opens judges whether the chain opened at due, for the reason, and to the
// state; a due of 0 is at once, in the same call.
func opens(r *rig, start, due time.Duration, why interlock.Reason, state interlock.State) string {
	off := find(r.log, interlock.RelayEffect, func(e *event) bool { return !e.On })
	beat := find(r.log, interlock.BeatEffect, func(e *event) bool { return !e.On })
	move := find(r.log, interlock.StateEffect, func(e *event) bool { return true })
	switch {
	case off == nil || beat == nil:
		return "the relay or the heartbeat did not stop"
	case off.At != start+due:
		return fmt.Sprintf("the relay opened after %s, not after %s", ms(off.At-start), ms(due))
	case move == nil || move.call != off.call || move.Reason != why:
		return fmt.Sprintf("it opened for another reason (%v)", whyOpen(r.log))
	case move.State != state:
		return fmt.Sprintf("it went to %v, not to %v", move.State, state)
	}
	return ""
}

// all tries every built-in interlock.
func (t *builtins) all() {
	t.stops()
	t.contactor()
	t.craft()
	t.lowering()
	t.sequence()
}

// stops are the lines that people and doors work.
func (t *builtins) stops() {
	fitted := func(name string, l interlock.Line) bool {
		if !t.p.setup.Site.Fitted[l] {
			t.moot(name, "not fitted on this pad")
			return false
		}
		return true
	}
	if fitted("emergency stop", interlock.EStopA) && fitted("emergency stop, second contact", interlock.EStopB) {
		r := from(t.b.air)
		r.lines[interlock.EStopA], r.lines[interlock.EStopB] = false, false
		at := r.now
		r.sendPins()
		r.run(time.Second)
		t.add("emergency stop", opens(r, at, 0, interlock.ReasonEStop, interlock.Tripped), "opens at once")
		for _, l := range [...]interlock.Line{interlock.EStopA, interlock.EStopB} {
			r := from(t.b.air)
			at := r.now
			r.set(l, false)
			r.run(t.p.setup.Site.Discrepancy + 50*time.Millisecond)
			fault := opens(r, at, 0, interlock.ReasonEStop, interlock.Tripped)
			bad := find(r.log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Fault })
			if fault == "" && (bad == nil || bad.At != at+t.p.setup.Site.Discrepancy) {
				fault = fmt.Sprintf("no fault %s after one contact opened alone", ms(t.p.setup.Site.Discrepancy))
			}
			t.add("emergency stop, "+l.String()+" only", fault, "opens at once, a fault after "+ms(t.p.setup.Site.Discrepancy))
		}
	}
	for _, l := range []struct {
		name string
		line interlock.Line
		why  interlock.Reason
	}{{"gate", interlock.Gate, interlock.ReasonGate}, {"hold-to-run", interlock.Hold, interlock.ReasonHold}} {
		if !fitted(l.name, l.line) {
			continue
		}
		r := from(t.b.air)
		at := r.now
		r.set(l.line, false)
		r.run(time.Second)
		t.add(l.name, opens(r, at, 0, l.why, interlock.Tripped), "opens at once")
	}
	r := from(t.b.air)
	last := r.now
	r.sendPins()
	r.door = unread{r.door}
	r.run(t.p.setup.Site.PinStale + 50*time.Millisecond)
	t.add("input lines unread", opens(r, last, t.p.setup.Site.PinStale, interlock.ReasonPinsSilent, interlock.Tripped), "opens after "+ms(t.p.setup.Site.PinStale))
	r = from(t.b.air)
	at := r.now
	r.host(intake.HostMessage{Host: interlock.HostHeldUp, On: true, Seq: 1000})
	t.add("loop held up", opens(r, at, 0, interlock.ReasonStalled, interlock.Tripped), "opens at once")
	r = from(t.b.air)
	at = r.now
	r.host(intake.HostMessage{Host: interlock.HostRelayFailed, On: true})
	t.add("relay write failed", opens(r, at, 0, interlock.ReasonRelayFailed, interlock.Fault), "opens at once, a fault")
}

// contactor is the readback and what it finds.
func (t *builtins) contactor() {
	if !t.p.setup.Site.Fitted[interlock.Readback] {
		t.moot("readback", "not fitted on this pad")
		return
	}
	r := from(t.b.air)
	at := r.now
	r.closed = false
	r.set(interlock.Readback, false)
	r.run(time.Second)
	t.add("readback opens", opens(r, at, 0, interlock.ReasonReadbackOpened, interlock.Tripped), "opens at once")

	r = from(t.b.air)
	r.core = &wrongCore{core: r.core, in: deaf(interlock.Readback)}
	at = r.now
	r.host(intake.HostMessage{Host: interlock.HostStalled, On: true})
	r.run(t.p.setup.Site.DropOut + 100*time.Millisecond)
	bad := find(r.log, interlock.StateEffect, func(e *event) bool { return e.State == interlock.Fault })
	fault := ""
	if bad == nil || bad.At != at+t.p.setup.Site.DropOut || bad.Reason != interlock.ReasonPowerRemains {
		fault = "a contactor that stays closed was not found"
	}
	t.add("welded contactor", fault, "power not removed: a fault after "+ms(t.p.setup.Site.DropOut))
}

// linkLost finds the end of the link in its own time, whatever missed the craft
// before, and whatever had left its limit.
func (t *builtins) linkLost(r *rig) *event {
	due := r.frame + t.p.setup.Site.LinkStale
	for i := range r.log {
		e := &r.log[i]
		if e.At == due && (e.Demands() && e.Reason == interlock.ReasonLink || e.Kind == interlock.TripEffect && e.Reason == interlock.ReasonThenSilent) {
			return e
		}
	}
	return nil
}

// craft is the link and whom it brings.
func (t *builtins) craft() {
	site := &t.p.setup.Site
	r := from(t.b.air)
	r.silent = true
	r.run(site.LinkStale + 200*time.Millisecond)
	trip := t.linkLost(r)
	off := find(r.log, interlock.RelayEffect, func(e *event) bool { return !e.On })
	fault := ""
	if trip == nil || off == nil || off.At > r.frame+site.LinkStale {
		fault = fmt.Sprintf("%s of silence did not open the chain", ms(site.LinkStale))
	}
	t.add("silence of the craft", fault, "power off by "+ms(site.LinkStale)+" after the last frame")

	r = from(t.b.air)
	r.sc.force(rules.LinkLag, r.sc.v[rules.LinkLag]+5) // its clock runs that far behind
	r.run(600 * time.Millisecond)
	fault = ""
	if e := find(r.log, interlock.TripEffect, func(e *event) bool { return e.Reason == interlock.ReasonRestart }); e == nil || r.relay {
		fault = "a boot clock that ran back did not trip"
	}
	t.add("craft restarts in flight", fault, "a boot clock that runs back trips")

	t.forged()

	links := t.p.setup.Intake.Links
	g := &rogue{scene: t.b.air.sc, system: t.p.setup.Intake.Craft.System}
	named := links[0].From.IsValid()
	switch {
	case t.p.setup.Intake.Signed && !named:
		t.moot("two senders under one identity", "the key tells the craft from others: see its signatures")
		return
	case !links[0].Stream:
		g.from = netip.AddrPortFrom(netip.AddrFrom4([4]byte{192, 0, 2, 2}), 40001)
	case len(links) > 1:
		g.link = 1
	default:
		t.moot("two senders under one identity", "a single line has one far end")
		return
	}
	r = from(t.b.air)
	g.join(r)
	r.run(300 * time.Millisecond)
	fault = ""
	trip = find(r.log, interlock.TripEffect, func(e *event) bool { return e.Reason == interlock.ReasonClash })
	if named {
		if trip != nil || !r.relay {
			fault = "a stranger at another address than the pad file's tripped"
		}
		t.add("two senders under one identity", fault, "the pad file's address decides: a stranger at another trips nothing")
		return
	}
	if trip == nil || r.relay {
		fault = "the craft's identity from another place did not trip"
	}
	t.add("two senders under one identity", fault, "trips")
}

// lowering is what watches a controlled stop, begun with the end button.
func (t *builtins) lowering() {
	if !t.p.setup.Site.Fitted[interlock.End] {
		t.moot("end", "not fitted on this pad")
		return
	}
	grace := t.p.setup.Site.EndGrace
	r := from(t.b.air)
	at := r.now
	r.set(interlock.End, true)
	fault := ""
	if s := r.state(); s != interlock.Lowering {
		fault = fmt.Sprintf("in the air it led to %v, not to being brought down", s)
	}
	r.run(grace + 50*time.Millisecond)
	if off := find(r.log, interlock.RelayEffect, func(e *event) bool { return !e.On }); fault == "" && (off == nil || off.At != at+grace) {
		fault = fmt.Sprintf("power was not off after its grace of %s", ms(grace))
	}
	t.add("end in the air", fault, "brought down; power off after "+ms(grace))

	r = from(t.b.ground)
	at = r.now
	r.set(interlock.End, true)
	t.add("end on the ground", opens(r, at, 0, interlock.ReasonEnd, interlock.Blocked), "opens at once")

	heights := t.p.cfg.HeightSources
	if len(heights) == 0 {
		t.moot("climbing while brought down", "this pad is told no height")
		t.moot("height lost while brought down", "this pad is told no height")
		return
	}
	r = from(t.b.air)
	r.set(interlock.End, true)
	for _, id := range t.p.cfg.Needs(rules.Climb) {
		r.sc.force(id, 0.8)
	}
	d := drive{set: func(s *scene, x float64) {
		for _, h := range heights {
			s.put(h, x)
		}
	}}
	r.sc.ramp, r.sc.rampFrom, r.sc.rampRate, r.sc.rampAt = &d, r.sc.v[heights[0]], 0.8, r.now
	r.run(3 * time.Second)
	fault = ""
	if r.relay {
		fault = "it climbed for 3 s while it was to be brought down, and power stayed on"
	}
	t.add("climbing while brought down", fault, fmt.Sprintf("power off (%v)", whyOpen(r.log)))

	r = from(t.b.air)
	r.set(interlock.End, true)
	for _, k := range t.p.sourcesOf(heights) {
		r.mute[k] = true
	}
	r.run(t.p.cfg.Stale(rules.Height) + time.Second)
	fault = ""
	if r.relay {
		fault = "height was lost while it was to be brought down, and power stayed on"
	}
	t.add("height lost while brought down", fault, fmt.Sprintf("power off (%v)", whyOpen(r.log)))
}
