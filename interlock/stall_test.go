package interlock

import (
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
			if first := trips == 1; f.FirstOut != first || first != (f.Reason == ReasonStalled) || first && f.Lasted != length {
				t.Errorf("%v: trip %d is %v for %v, first-out %v", length, f.Trip, f.Reason, f.Lasted, f.FirstOut)
			}
		}
		if r.e.state != Tripped {
			t.Errorf("%v: %v (%v), want tripped", length, r.e.state, r.e.why)
		}
		if ms >= 501 && !r.e.builtinListed[ReasonLink] {
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
		if r.e.state != c.want || r.e.why != c.why {
			t.Errorf("a stall of %v, open %v after: %v by %v, want %v by %v", c.length, c.opened, r.e.state, r.e.why, c.want, c.why)
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
