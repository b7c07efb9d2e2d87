package prove

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// builtin are the conditions that every pad has.
func (t *starts) builtin() {
	fitted := func(l interlock.Line) bool { return t.p.setup.Site.Fitted[l] }
	host := func(m intake.HostMessage) func(r *rig) { return func(r *rig) { r.host(m) } }
	off := func(l ...interlock.Line) func(r *rig) {
		return func(r *rig) {
			for _, x := range l {
				r.lines[x] = false
			}
			r.sendPins()
		}
	}
	for _, c := range []struct {
		name string
		need interlock.Need
		has  bool
		act  func(r *rig)
		wait time.Duration
	}{
		{"emergency stop pressed", interlock.NeedStop, fitted(interlock.EStopA) && fitted(interlock.EStopB), off(interlock.EStopA, interlock.EStopB), 0},
		{"gate open", interlock.NeedGate, fitted(interlock.Gate), off(interlock.Gate), 0},
		{"input lines unread", interlock.NeedPins, true, func(r *rig) { r.door = unread{r.door} }, t.p.setup.Site.PinStale},
		{"contactor closed", interlock.NeedReadback, fitted(interlock.Readback), func(r *rig) { r.set(interlock.Readback, true) }, 0},
		{"relay write failed", interlock.NeedRelay, true, host(intake.HostMessage{Host: interlock.HostRelayFailed, On: true}), 0},
		{"craft silent", interlock.NeedLink, true, func(r *rig) { r.silent = true }, t.p.setup.Site.LinkStale},
		{"craft armed", interlock.NeedDisarmed, true, func(r *rig) {
			r.sc.put(rules.CraftArmed, 1)
			r.tellNow(rules.CraftArmed)
		}, 0},
		{"no room for records", interlock.NeedDisk, true, host(intake.HostMessage{Host: interlock.HostDisk, On: true}), 0},
		{"a proof test is due", interlock.NeedProof, true, host(intake.HostMessage{Host: interlock.HostProof, Seq: 3, On: true}), 0},
		{"a fault of the chain or a defect stands open", interlock.NeedLedger, true, host(intake.HostMessage{Host: interlock.HostLedger, On: true}), 0},
		{"the card asks for more", interlock.NeedCard, true, host(intake.HostMessage{Host: interlock.HostCard, On: true}), 0},
	} {
		if !c.has {
			t.skip(c.name, Moot, "not fitted on this pad")
			continue
		}
		r := from(t.b.ready)
		c.act(r)
		r.run(c.wait + 20*time.Millisecond)
		fault, _ := t.refuses(r, func(u interlock.Unmet) bool { return u.Need == c.need }, func(interlock.Unmet) bool { return true })
		t.add(c.name, fault, "holds the start back")
	}
	t.heightNear()
	t.held()
	t.unproven()
}

// held: start with the hold-to-run let go.
func (t *starts) held() {
	const name = "hold-to-run let go"
	if !t.p.setup.Site.Fitted[interlock.Hold] {
		t.skip(name, Moot, "not fitted on this pad")
		return
	}
	r := from(t.b.ready)
	r.set(interlock.Hold, false)
	r.press(interlock.Start, 200*time.Millisecond)
	r.run(t.p.setup.Site.Horn + t.p.setup.Site.PickUp + time.Second)
	fault := ""
	if s := r.state(); s == interlock.Live || s == interlock.Closing || r.relay {
		fault = fmt.Sprintf("start led to %v", s)
	}
	t.add(name, fault, "the start button does nothing")
}

// unproven: a pad of which nobody has shown how long the rotors take to stop.
func (t *starts) unproven() {
	const name = "stop not proven at the rotors"
	q := *t.p
	q.setup.Site.Rotors = rules.RotorsStanding{}
	r, unmet, err := q.ready()
	fault := ""
	switch {
	case err != nil:
		fault = err.Error()
	case unmet == nil:
		fault = "it is ready all the same"
	default:
		is := func(u interlock.Unmet) bool { return u.Need == interlock.NeedStopProven }
		other := &starts{p: &q}
		fault, _ = other.refuses(r, is, func(interlock.Unmet) bool { return true })
	}
	t.add(name, fault, "holds the start back")
}
