package interlock

import (
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// windPad is a pad whose packs' currents tell whether power is gone; 2 A feed what
// stays on behind the relay.
func windPad(t *testing.T) *rig {
	r := newRig(t, exploreEnvelope, func(s *Site) {
		s.IdleCurrent = 5
		for id := rules.Pack3Current; id <= rules.Pack4Current; id++ {
			s.Fed[id] = rules.NotFed
		}
	})
	r.set(rules.Tension, 500, rules.Good)
	for _, id := range []rules.ChannelID{rules.SupplyCurrent, rules.Pack1Current, rules.Pack2Current, rules.ESCFailures} {
		r.set(id, 0, rules.Good)
	}
	r.set(rules.Pack1Current, 2, rules.Good)
	return r
}

// Rotors that the wind turns behind an open contactor, with no more current than
// flowed while they stood, keep everybody out until they stand, and are no fault of
// the chain. Whatever cannot be told from a rotor under power is one. The figures
// are ours.
//
//fault:row the wind turns the rotors after the opening | KEEP OUT until they stand, and no fault of the chain
//fault:row a rotor idles under power behind a mirror contact that reads open | POWER NOT REMOVED
func TestRotorsThatTheWindTurns(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*rig)
		wind bool
	}{
		{"slow, no current", func(*rig) {}, true},
		{"at the most that wind turns", func(r *rig) { r.set(rules.Motor1Speed, 20, rules.Good) }, true},
		{"faster", func(r *rig) { r.set(rules.Motor1Speed, 20.1, rules.Good) }, false},
		{"backwards", func(r *rig) { r.set(rules.Motor1Speed, -8, rules.Good) }, true},
		{"backwards and faster", func(r *rig) { r.set(rules.Motor1Speed, -21, rules.Good) }, false},
		{"current as while they stood", func(r *rig) { r.set(rules.Pack1Current, 2.5, rules.Good) }, true},
		{"idling below what may remain", func(r *rig) { r.set(rules.Pack1Current, 2.6, rules.Good) }, false},
		{"idling off another pack", func(r *rig) { r.set(rules.Pack2Current, 0.6, rules.Good) }, false},
		{"idling by the supply's word", func(r *rig) { r.set(rules.SupplyCurrent, 0.6, rules.Good) }, false},
		{"less current than before", func(r *rig) { r.set(rules.Pack1Current, 0, rules.Good) }, true},
		{"one current silent", func(r *rig) { r.silence(rules.Pack2Current) }, false},
		{"one current in doubt", func(r *rig) { r.set(rules.Pack1Current, 2, rules.Doubtful) }, false},
		{"the supply's never told", func(r *rig) {
			r.silence(rules.SupplyCurrent)
			*ofChannel[bool](r.e, rules.SupplyCurrent, "Heard") = false
		}, true},
		{"one current missing", func(r *rig) { r.set(rules.SupplyCurrent, 0, rules.Missing) }, false},
		{"the sensor never told of a current", func(r *rig) { r.e.flowSeen = false }, false},
		{"never told of one, but disarmed", func(r *rig) { r.e.flowSeen = false; r.set(rules.CraftArmed, 0, rules.Good) }, true},
		{"still armed", func(*rig) {}, true},
		{"input lines not read", func(r *rig) { r.pins = false }, false},
	} {
		r := windPad(t)
		r.live()
		r.fly()
		r.set(rules.Pack1Current, 60, rules.Good)
		r.run(time.Second)
		r.lines[EStopA], r.lines[EStopB] = false, false
		r.set(rules.Pack1Current, 2, rules.Good)
		r.set(rules.Motor1Speed, 8, rules.Good)
		r.run(1500 * time.Millisecond) // the window is 2 s: none of this is early
		c.do(r)
		r.run(6 * time.Second)
		var v View
		r.e.View(&v)
		if fault := v.State == Fault && v.Why == ReasonPowerRemains; fault == c.wind || v.WindTurns != c.wind || !v.KeepOut {
			t.Errorf("%s: %v because of %v, told as turned by the wind %v, keep out %v", c.name, v.State, v.Why, v.WindTurns, v.KeepOut)
		}
		if !c.wind {
			continue
		}
		idle := r.e.site.IdleCurrent // by which other steps here are told; the wind asks only whether one is stated
		if r.e.site.IdleCurrent = 0.5; !r.e.windTurns(r.e.now) {
			t.Errorf("%s: not put down to the wind where 0.5 A may remain", c.name)
		}
		r.e.site.IdleCurrent = idle
		if r.e.latch.lines[Readback].on = true; r.e.windTurns(r.e.now) {
			t.Errorf("%s: put down to the wind behind a mirror contact that reads closed", c.name)
		}
		r.e.latch.lines[Readback].on = false
		r.lines[EStopA], r.lines[EStopB] = true, true
		r.land()
		r.set(rules.Motor1Speed, 8, rules.Good)
		r.run(4 * time.Second)
		if r.e.View(&v); v.ResetBar != ReasonTurning {
			t.Errorf("%s: a reset meets %v while they turn", c.name, v.ResetBar)
		}
		r.set(rules.Motor1Speed, 0, rules.Good)
		r.run(time.Second)
		if r.e.View(&v); v.ResetBar != NoReason || v.KeepOut || v.WindTurns {
			t.Errorf("%s: they stand: a reset meets %v, keep out %v", c.name, v.ResetBar, v.KeepOut)
		}
	}
}

// Without a mirror contact, or with one that reads closed, nothing is the wind; nor
// where no current is told at all.
func TestTheWindNeedsAnOpenMirrorAndACurrent(t *testing.T) {
	for name, change := range map[string]func(*Site){
		"no mirror contact":     func(s *Site) { s.Fitted[Readback] = false },
		"current not checked":   func(s *Site) { s.IdleCurrent = 0 },
		"no current on the pad": func(s *Site) { s.Fed[rules.SupplyCurrent], s.Fed[rules.Pack1Current] = rules.NotFed, rules.NotFed },
		"a pack never heard":    func(s *Site) { s.Fed[rules.Pack2Current] = rules.CraftSays },
	} {
		r := newRig(t, exploreEnvelope, func(s *Site) {
			s.IdleCurrent = 5
			for id := rules.Pack2Current; id <= rules.Pack4Current; id++ {
				s.Fed[id] = rules.NotFed
			}
			change(s)
		})
		r.set(rules.Tension, 500, rules.Good)
		r.set(rules.ESCFailures, 0, rules.Good)
		for _, id := range []rules.ChannelID{rules.SupplyCurrent, rules.Pack1Current} {
			if r.e.site.Fed[id] != rules.NotFed {
				r.set(id, 0, rules.Good)
			}
		}
		r.live()
		r.set(rules.Motor1Speed, 8, rules.Good)
		r.press(End, 100*time.Millisecond)
		r.run(3 * time.Second)
		if r.e.latch.state != Fault || r.e.latch.why != ReasonPowerRemains {
			t.Errorf("%s: %v because of %v", name, r.e.latch.state, r.e.latch.why)
		}
	}
}

// Before a start as well: a gust that turns the rotors of a craft on the pad is no
// fault, and power that is seen to flow later is one.
func TestTheWindTurnsRotorsBeforeAStart(t *testing.T) {
	r := windPad(t)
	r.run(4 * time.Second)
	r.set(rules.Motor1Speed, 8, rules.Good)
	r.run(6 * time.Second)
	var v View
	if r.e.View(&v); v.State != Blocked || !v.WindTurns || !v.KeepOut {
		t.Fatalf("%v because of %v, told as turned by the wind %v", v.State, v.Why, v.WindTurns)
	}
	r.set(rules.Pack1Current, 3, rules.Good)
	r.run(time.Second)
	if r.e.View(&v); v.State != Fault || v.Why != ReasonPowerRemains || v.WindTurns {
		t.Errorf("with a current: %v because of %v", v.State, v.Why)
	}
}

// A guard that has just started may find rotors that run down from before: they get
// the whole window, though a current's word that none flows came first. Where no rotor is told of, the
// current's word is for good: what flows again is power that came back.
func TestPowerOfBeforeTheStart(t *testing.T) {
	r := windPad(t)
	r.silence(rules.Motor1Speed)
	r.run(time.Second)
	r.set(rules.Motor1Speed, 30, rules.Good)
	r.run(1500 * time.Millisecond) // of 2 s
	r.set(rules.Motor1Speed, 0, rules.Good)
	if r.run(3 * time.Second); r.e.latch.state != Blocked {
		t.Errorf("rotors that ran down: %v because of %v", r.e.latch.state, r.e.latch.why)
	}
	r = newRig(t, exploreEnvelope, func(s *Site) {
		s.IdleCurrent = 5
		for id := rules.Pack2Current; id <= rules.Pack4Current; id++ {
			s.Fed[id] = rules.NotFed
		}
		for _, id := range s.Derived.Needs(rules.RotorSpeed) {
			s.Fed[id] = rules.NotFed
		}
	})
	r.set(rules.SupplyCurrent, 0, rules.Good)
	r.set(rules.Pack1Current, 0, rules.Good)
	r.run(time.Second)
	r.set(rules.Pack1Current, 60, rules.Good)
	if r.run(powerBackFor + 500*time.Millisecond); r.e.latch.state != Fault || r.e.latch.why != ReasonPowerRemains {
		t.Errorf("a current that flows again: %v because of %v", r.e.latch.state, r.e.latch.why)
	}
}

// A step on the ground does not begin while the height is not told.
func TestAStepOnTheGroundNeedsItsHeight(t *testing.T) {
	for q, want := range map[rules.Quality]Reason{rules.Good: NoReason, rules.Doubtful: ReasonGroundUnseen, rules.Missing: ReasonGroundUnseen} {
		e := busyRig(t).e
		e.ground.on = true
		e.limits.Take(e.now, rules.Height, limits.Result{Value: 0.1, Quality: q, Cause: map[bool]rules.Cause{true: rules.Disagreement}[q != rules.Good]})
		if got := e.groundBegins(e.now); got != want {
			t.Errorf("a height of quality %d: %v, want %v", q, got, want)
		}
	}
}
