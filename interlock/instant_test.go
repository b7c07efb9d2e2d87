package interlock

import (
	"slices"
	"testing"
	"time"

	"downhaul/rules"
)

// What comes in one instant comes in no order. These hold the order of the latch's
// table (fault, immediate, controlled, end, reset, start) for what a turn of the
// guard's loop hands over, whichever of it comes first; TestExploreLatchAndPairs
// tries every pair from every state.

// closingRig is a pad in the middle of the closing sequence.
func closingRig(t *testing.T) *rig {
	t.Helper()
	r := busyRig(t)
	r.run(12 * time.Second)
	r.press(Reset, 300*time.Millisecond)
	r.run(r.tick)
	r.press(Start, 200*time.Millisecond)
	r.run(time.Second)
	if r.e.latch.state != Closing {
		t.Fatalf("%v, want closing", r.e.latch.state)
	}
	return r
}

// together lets inputs act in one instant, in every order, and hands the engines
// and what each said to check.
func together(t *testing.T, e *Engine, ins []Input, check func(*Engine, []Effect)) {
	t.Helper()
	var orders func(done, rest []Input)
	orders = func(done, rest []Input) {
		if len(rest) > 0 {
			for i := range rest {
				orders(append(slices.Clone(done), rest[i]), slices.Delete(slices.Clone(rest), i, i+1))
			}
			return
		}
		c := e.Clone()
		var said []Effect
		for _, in := range done {
			said = append(said, c.Step(e.now+time.Millisecond, &in)...)
		}
		check(c, append(said, c.Advance(c.now+1)...))
	}
	orders(nil, ins)
}

func told1(id rules.ChannelID, v float64) Input {
	return Input{Kind: SampleInput, Sample: Sample{Channel: id, Value: v, Quality: rules.Good}}
}

// A permissive that is lost and an immediate stop in one frame while the relay is
// about to close: tripped, and on record; so with everything else that alone would
// only go back to blocked.
//
//fault:row a condition is lost and an immediate stop falls due in one frame, while the relay is about to close | tripped and on record, whichever stands first in the frame
func TestOneInstantWhileClosing(t *testing.T) {
	immediate := told1(rules.ESCFailures, 4)
	for what, other := range map[string]Input{
		"a condition lost":  told1(rules.WindSpeed, 5.5),
		"a controlled stop": told1(rules.WindSpeed, 9),
		"end":               {Kind: LineInput, Line: End, On: true},
		"the session's end": {Kind: HostInput, Host: HostEnd, On: true},
		"the craft armed":   told1(rules.CraftArmed, 1),
	} {
		together(t, closingRig(t).e, []Input{immediate, other}, func(e *Engine, said []Effect) {
			if e.latch.state != Tripped || e.latch.first.Rule != 6 || e.latch.closed || e.latch.relayOn || e.latch.beatOn {
				t.Errorf("an immediate stop and %s while closing: %v, first %+v", what, e.latch.state, e.latch.first)
			}
			// A controlled stop is listed behind or before it, as in tripped.
			if want := map[bool]uint32{true: 2, false: 1}[what == "a controlled stop"]; e.latch.trips != want {
				t.Errorf("an immediate stop and %s while closing: %d trips on record, want %d", what, e.latch.trips, want)
			}
		})
		together(t, closingRig(t).e, []Input{other}, func(e *Engine, said []Effect) {
			if e.latch.state != Blocked || e.latch.trips != 0 {
				t.Errorf("%s alone while closing: %v, %d trips", what, e.latch.state, e.latch.trips)
			}
		})
	}
}

// Promise 2 also for what waits: hold-to-run released by a craft that flies.
func TestHoldReleasedAndAirborneInOneInstant(t *testing.T) {
	r := busyRig(t, func(s *Site) { s.Fitted[Hold] = true })
	r.lines[Hold] = true
	r.live()
	hold, flies := Input{Kind: LineInput, Line: Hold}, told1(rules.CraftLanded, 0)
	together(t, r.e, []Input{hold}, func(e *Engine, _ []Effect) {
		if e.latch.state != Blocked || e.latch.trips != 0 {
			t.Errorf("on the ground: %v, %d trips", e.latch.state, e.latch.trips)
		}
	})
	together(t, r.e, []Input{hold, flies}, func(e *Engine, _ []Effect) {
		if e.latch.state != Tripped || e.latch.trips != 1 {
			t.Errorf("in the air: %v, %d trips", e.latch.state, e.latch.trips)
		}
	})
	e := r.e.Clone()
	e.Step(e.now+1, &hold)
	if e.Step(e.now, &flies); e.latch.relayOn {
		t.Error("the relay was not opened in the call in which the release became a trip")
	}
}

// Reset released and start pressed in one reading close nothing: start must be
// read off in ready first. Nor does a start that was pressed before, or one that is
// read off and on in the very instant that leads to ready.
//
//fault:row reset is released and start pressed in one reading | ready; nothing closes before start was read off there
func TestStartMustBeReadOffInReady(t *testing.T) {
	r := busyRig(t)
	r.run(12 * time.Second)
	r.lines[Reset] = true
	r.run(300 * time.Millisecond)
	release, off, on := Input{Kind: LineInput, Line: Reset}, Input{Kind: LineInput, Line: Start}, Input{Kind: LineInput, Line: Start, On: true}
	for _, ins := range [][]Input{{release, on}, {release, off, on}} {
		together(t, r.e, ins, func(e *Engine, said []Effect) {
			if e.latch.state != Ready {
				t.Fatalf("%v, want ready", e.latch.state)
			}
			if !e.latch.lines[Start].on {
				return // its last level was off: the next press is one in ready
			}
			e.Step(e.now, &on)
			if e.Advance(e.now + time.Millisecond); e.latch.state != Ready {
				t.Errorf("start held since before ready leads to %v", e.latch.state)
			}
			e.Step(e.now+1, &off)
			e.Step(e.now+1, &on)
			e.Advance(e.now + 1)
			if e.latch.state != Closing {
				t.Errorf("read off in ready, then pressed: %v, want closing", e.latch.state)
			}
		})
	}
}

// A reset waits for what else its instant brings: a cause refuses it, in either order,
// and so does a record that is no more on disk, though it is again in that instant.
func TestResetWaitsForItsInstant(t *testing.T) {
	r := busyRig(t)
	r.live()
	r.set(rules.ESCFailures, 4, rules.Good)
	r.run(100 * time.Millisecond)
	r.set(rules.ESCFailures, 0, rules.Good)
	r.run(4 * time.Second)
	r.lines[Reset] = true
	r.run(300 * time.Millisecond)
	release, gone, kept := Input{Kind: LineInput, Line: Reset}, Input{Kind: HostInput, Host: HostKept}, Input{Kind: HostInput, Host: HostKept, Seq: 9}
	together(t, r.e, []Input{release}, func(e *Engine, _ []Effect) {
		if e.latch.state != Ready && e.latch.state != Blocked {
			t.Fatalf("with nothing else in its instant: %v", e.latch.state)
		}
	})
	together(t, r.e, []Input{release, gone}, func(e *Engine, _ []Effect) {
		if e.latch.state != Tripped {
			t.Errorf("with the record gone in its instant: %v", e.latch.state)
		}
	})
	together(t, r.e, []Input{release, told1(rules.Roll, 0.7)}, func(e *Engine, _ []Effect) {
		if e.latch.state != Tripped || e.latch.trips != 2 {
			t.Errorf("a cause in the instant of the release: %v, %d trips", e.latch.state, e.latch.trips)
		}
	})
	r.e.Step(r.e.now, &gone)
	r.e.Step(r.e.now, &kept)
	together(t, r.e, []Input{release}, func(e *Engine, _ []Effect) {
		if e.latch.state != Tripped {
			t.Errorf("with the record gone and kept again since the press: %v", e.latch.state)
		}
	})
}

// A reset that was pressed in blocked is void once the latch has moved, also where the
// next thing of all leads from ready back to blocked.
func TestResetIsVoidOnceTheLatchMoved(t *testing.T) {
	r := busyRig(t)
	r.run(12 * time.Second)
	r.press(Reset, 300*time.Millisecond)
	r.set(rules.WindSpeed, 5.5, rules.Good)
	r.run(r.tick)
	r.lines[Reset] = true
	r.run(100 * time.Millisecond)
	e := r.e
	if e.latch.state != Blocked || !e.latch.resetOK {
		t.Fatalf("%v with too much wind, a reset held %v", e.latch.state, e.latch.resetOK)
	}
	calm, tilted := told1(rules.WindSpeed, 2), told1(rules.Roll, 0.7)
	e.Step(e.now, &calm)
	if e.Advance(e.now + 1); e.latch.state != Ready {
		t.Fatalf("calm again: %v, want ready", e.latch.state)
	}
	e.Step(e.now+1, &tilted)
	if e.latch.state != Blocked || e.latch.resetOK {
		t.Errorf("a past a limit: %v, the reset of before still counts: %v", e.latch.state, e.latch.resetOK)
	}
}

// A start that is pressed in the very instant that leads to ready counts for nothing:
// start was not read off in ready before.
func TestStartPressedAsItBecomesReady(t *testing.T) {
	r := busyRig(t)
	r.run(12 * time.Second)
	r.press(Reset, 300*time.Millisecond)
	r.run(r.tick)
	if r.e.latch.state != Ready {
		t.Fatalf("%v, want ready", r.e.latch.state)
	}
	r.set(rules.WindSpeed, 5.5, rules.Good)
	r.run(r.tick)
	if r.e.latch.state != Blocked {
		t.Fatalf("%v with too much wind, want blocked", r.e.latch.state)
	}
	calm, start := told1(rules.WindSpeed, 2), Input{Kind: LineInput, Line: Start, On: true}
	together(t, r.e, []Input{calm}, func(e *Engine, _ []Effect) {
		if e.latch.state != Ready {
			t.Errorf("calm again: %v, want ready", e.latch.state)
		}
	})
	together(t, r.e, []Input{calm, start}, func(e *Engine, said []Effect) {
		if e.latch.state != Ready || !slices.ContainsFunc(said, func(f Effect) bool { return f.Reason == ReasonStuck }) {
			t.Errorf("calm again and start pressed: %v, want ready and the start ignored", e.latch.state)
		}
	})
}

// What bars a reset at its press voids it, although the very next thing that comes ends
// the bar: nothing in between looks at it again.
func TestResetPressedWhileBarredIsVoid(t *testing.T) {
	for _, barred := range []bool{true, false} {
		r := newRig(t, "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"link\"\nwatch = \"link.age\"\nabove = \"2 s\"\nstop = \"immediate\"\n",
			func(s *Site) { s.PinStale = time.Second })
		r.run(12 * time.Second)
		var said []Reason
		at := r.e.now
		step := func(d time.Duration, l Line, on bool) {
			at += d
			for _, f := range append(slices.Clone(r.e.Step(at, &Input{Kind: LineInput, Line: l, On: on})), r.e.Advance(at)...) {
				if f.Kind == NoteEffect && f.Line == Reset {
					said = append(said, f.Reason)
				}
			}
		}
		step(time.Millisecond, Gate, !barred)
		step(time.Millisecond, Reset, true)
		step(time.Millisecond, Gate, true)
		step(300*time.Millisecond, Reset, false)
		step(time.Millisecond, Gate, true) // the instant of the release is over
		want := ReasonReset
		if barred {
			want = ReasonPressAgain
		}
		if !slices.Equal(said, []Reason{want}) {
			t.Errorf("barred at the press %v: %v, want %v", barred, said, want)
		}
	}
}
