package interlock

import (
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// stalledRig is a pad in the hover whose loop stood still for a while and tells it in
// its next turn, as the guard's loop does: the stall first, then the lines.
func stalledRig(t *testing.T, length, opened time.Duration) (r *rig, said []Effect) {
	t.Helper()
	r = bases(t, func(s *Site) { s.Watchdog = 100 * time.Millisecond })[1].twin(t)
	r.seen = func(effects []Effect) { said = append(said, effects...) }
	r.now += length
	r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: uint32(length / time.Millisecond)})
	r.change = r.now + opened
	r.set(rules.Motor1Speed, 0, rules.Good)
	r.set(rules.Motor1Output, 0, rules.Good)
	if opened <= 0 {
		r.change, r.lines[Readback] = rules.Never, false
	}
	r.run(time.Second)
	return r, said
}

// A stall is its own first cause, dated when the loop noticed it, with its length.
// Nothing is decided for a time in which nobody looked; what fell silent meanwhile is
// listed behind it; and a contactor that lets go in its time is no fault, however
// long the stall was.
//
//fault:row the guard's process is stopped for 60 ms to 100 s in the hover | first cause: held up, with the length, when the guard goes on; power off, and no false "power not removed"
func TestStallIsItsOwnFirstCause(t *testing.T) {
	for _, ms := range []int{60, 120, 201, 250, 300, 499, 500, 501, 700, 1000, 2600, 5000, 30_000, 100_000} {
		length := time.Duration(ms) * time.Millisecond
		opened := 150 * time.Millisecond // by the relay
		if length > 300*time.Millisecond {
			opened = 0 // by the watchdog, long before
		}
		r, said := stalledRig(t, length, opened)
		at := said[0].At
		if len(said) < 3 || said[0].Kind != RelayEffect || said[0].On || said[1].Kind != BeatEffect || said[1].On {
			t.Fatalf("%v: the answer does not begin with relay and heartbeat off: %v", length, said)
		}
		trips := 0
		for _, f := range said {
			if f.At < at {
				t.Errorf("%v: dated into the stall: %+v", length, f)
			}
			if f.Kind != TripEffect {
				continue
			}
			trips++
			if f.Reason == ReasonLink {
				t.Errorf("%v: the loop's own silence is a trip of its own", length)
			}
			if first := trips == 1; f.FirstOut != first || first != (f.Reason == ReasonStalled) || first && f.Lasted != length {
				t.Errorf("%v: trip %d is %v for %v, first-out %v", length, f.Trip, f.Reason, f.Lasted, f.FirstOut)
			}
		}
		if r.e.latch.state != Tripped {
			t.Errorf("%v: %v (%v), want tripped", length, r.e.latch.state, r.e.latch.why)
		}
		if ms >= 501 && !r.e.latch.builtinListed[ReasonLink] {
			t.Errorf("%v: the silence of the craft is not listed behind the stall", length)
		}
	}
}

// After a stall that was longer than the watchdog and the contactor need, a mirror
// that still reads closed at once is a watchdog that does not work; after a shorter
// one it has the time that the relay needs.
//
//fault:row the guard's process is stopped, and the watchdog does not let go | a fault that names the watchdog, at the first reading; the relay opens
func TestStallFindsADeadWatchdog(t *testing.T) {
	for _, c := range []struct {
		length, opened time.Duration
		want           State
		why            Reason
	}{
		{300 * time.Millisecond, 150 * time.Millisecond, Tripped, ReasonStalled},
		{301 * time.Millisecond, 150 * time.Millisecond, Fault, ReasonWatchdog},
		{time.Hour, 150 * time.Millisecond, Fault, ReasonWatchdog},
		{250 * time.Millisecond, time.Hour, Fault, ReasonPowerRemains},
		{time.Second, time.Hour, Fault, ReasonPowerRemains}, // on top of the watchdog
	} {
		r, said := stalledRig(t, c.length, c.opened)
		if r.e.latch.state != c.want || r.e.latch.why != c.why {
			t.Errorf("a stall of %v, open %v after: %v by %v, want %v by %v", c.length, c.opened, r.e.latch.state, r.e.latch.why, c.want, c.why)
		}
		found := false
		for _, f := range said {
			found = found || f.Kind == TripEffect && f.Reason == c.why
		}
		if !found {
			t.Errorf("a stall of %v: %v is not on record", c.length, c.why)
		}
	}
}

// The loop may act on something due in a turn that reads nothing, right before it
// stands still. No recording shows that turn: the news of the stall alone must give
// the same decisions, at the same times.
func TestStallReplaysWithoutTheTurnBeforeIt(t *testing.T) {
	for _, gap := range []time.Duration{100 * time.Millisecond, 100*time.Millisecond + 1, 101*time.Millisecond - 1, 2 * time.Second} {
		r := bases(t)[1].twin(t)
		r.run(30 * time.Millisecond)
		live, replay := r.e.Clone(), r.e.Clone()
		last := r.e.latch.timers[timerPins] // then the lines count as unread: a trip
		news := Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: uint32(gap / time.Millisecond)}
		var want, got []byte
		take := func(to *[]byte, effects []Effect) {
			for _, f := range effects {
				*to = append(AppendDecision(*to, r.e.env, f), '\n')
			}
		}
		take(&want, live.Advance(last))
		take(&want, live.Advance(last+1)) // the turn ends its instant
		take(&want, live.Step(last+gap, &news))
		take(&got, replay.Step(last+gap, &news))
		if !strings.Contains(string(want), ReasonPinsSilent.String()) || string(got) != string(want) {
			t.Errorf("a stall of %v: live\n%sreplay\n%s", gap, want, got)
		}
		if string(live.AppendState(nil)) != string(replay.AppendState(nil)) {
			t.Errorf("a stall of %v leaves another state without the turn before it", gap)
		}
	}
}

// Emergency-stop contacts of which one was read open before a stall, and both right
// after it, did not differ for as long as the stall: nobody looked.
func TestStallMakesNoContactsDiffer(t *testing.T) {
	r := bases(t)[1].twin(t)
	r.lines[EStopA] = false
	r.run(r.tick)
	r.now += time.Second
	r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: 1000})
	r.lines[EStopB] = false
	r.change, r.lines[Readback] = rules.Never, false // by the watchdog, long before
	r.set(rules.Motor1Speed, 0, rules.Good)
	r.set(rules.Motor1Output, 0, rules.Good)
	r.run(2 * time.Second)
	if r.e.latch.state != Tripped || r.e.latch.why != ReasonEStop {
		t.Errorf("%v by %v, want tripped by the emergency stop", r.e.latch.state, r.e.latch.why)
	}
}

// Power that remains on top of another fault is a record of its own, and the note
// by which the ledger and the report know it.
func TestPowerThatRemainsOnTopOfAFaultIsOnRecord(t *testing.T) {
	r := bases(t)[1].twin(t)
	var trips, notes int
	r.seen = func(effects []Effect) {
		for _, f := range effects {
			if f.Reason == ReasonPowerRemains && f.Kind == TripEffect {
				trips++
			}
			if f.Reason == ReasonPowerRemains && f.Kind == NoteEffect && f.On && f.Line == 0 {
				notes++
			}
		}
	}
	r.step(Input{Kind: HostInput, Host: HostRelayFailed, On: true})
	r.change = rules.Never // the contactor stays closed
	if r.e.latch.state != Fault {
		t.Fatalf("%v, want fault", r.e.latch.state)
	}
	r.run(time.Second)
	if trips != 1 || notes != 1 || r.e.latch.why != ReasonPowerRemains {
		t.Errorf("%d records and %d notes, the fault by %v; want one of each", trips, notes, r.e.latch.why)
	}
}

// A stall that makes no trip, while nothing is on, takes no later silence behind a trip
// of before: that is over.
func TestAStallWithoutATripStandsBehindNone(t *testing.T) {
	tried := false
	for _, seed := range exploreSeeds(t) {
		if seed.latch.state != Ready {
			continue
		}
		tried = true
		e := seed.Clone()
		e.latch.trips = 3
		before := e.unheard
		e.heldUp(e.now+time.Second, &Input{Kind: HostInput, Seq: 700})
		if e.latch.trips != 3 || e.unheard != before {
			t.Errorf("%d trips, and what is unheard stands behind trip %d", e.latch.trips, e.unheard.trip)
		}
	}
	if !tried {
		t.Error("no guard was ready")
	}
}
