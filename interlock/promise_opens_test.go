package interlock

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// openings are ways in which power is taken off, each from the hover or, where lowers,
// from a controlled stop that the crew began there.
var openings = []struct {
	what   string
	lowers bool
	do     func(r *rig)
}{
	{"the emergency stop", false, func(r *rig) { r.step(Input{Kind: LineInput, Line: EStopA}) }},
	{"its other contact", true, func(r *rig) { r.step(Input{Kind: LineInput, Line: EStopB}) }},
	{"the gate", false, func(r *rig) { r.step(Input{Kind: LineInput, Line: Gate}) }},
	{"the gate", true, func(r *rig) { r.step(Input{Kind: LineInput, Line: Gate}) }},
	{"the contactor opens by itself", false, func(r *rig) { r.step(Input{Kind: LineInput, Line: Readback}) }},
	{"the contactor opens by itself", true, func(r *rig) { r.step(Input{Kind: LineInput, Line: Readback}) }},
	{"the loop was held up", false, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: 60}) }},
	{"a second sender", true, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostClash}) }},
	{"the relay cannot be written", false, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostRelayFailed, On: true}) }},
	{"the relay cannot be written", true, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostRelayFailed, On: true}) }},
	{"a part panicked", false, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostBroken, On: true}) }},
	{"the guard ends", false, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostEnd, On: true}); r.over() }},
	{"the guard ends", true, func(r *rig) { r.step(Input{Kind: HostInput, Host: HostEnd, On: true}); r.over() }},
	{"the craft restarts", false, func(r *rig) { r.boot = 0; r.run(r.tick) }},
	{"a limit", false, func(r *rig) { r.set(rules.ESCFailures, 4, rules.Good); r.run(r.tick) }},
	{"a limit", true, func(r *rig) { r.set(rules.ESCFailures, 4, rules.Good); r.run(r.tick) }},
	{"a limit and its on-delay", false, func(r *rig) { r.set(rules.Tension, 1900, rules.Good); r.run(60 * time.Millisecond) }},
	{"a channel is silent", false, func(r *rig) { r.silence(rules.Roll); r.run(time.Second) }},
	{"the craft is silent", false, func(r *rig) { r.sleep(10 * time.Second) }},
	{"the lines are silent", true, func(r *rig) { r.pins = false; r.run(100 * time.Millisecond) }},
	{"the grace ends", true, func(r *rig) { r.run(31 * time.Second) }},
	{"it climbs", true, func(r *rig) { r.glide(5, 2*time.Second) }},
	{"the height is lost", true, func(r *rig) { r.set(rules.HeightGlobal, 0, rules.Missing); r.run(time.Second) }},
	{"it is down", true, func(r *rig) { r.glide(0, 3*time.Second); r.land(); r.run(3 * time.Second) }},
	{"end, on the ground", false, func(r *rig) {
		r.glide(0, 3*time.Second)
		r.land()
		r.run(3 * time.Second)
		r.press(End, 100*time.Millisecond)
	}},
}

// The openings above are gone through one by one, so that what is proved does not hang
// on what chance draws; the streams behind them open where nobody thought of.
func TestPromise01_DeEnergiseToTrip(t *testing.T) {
	opened, closed := 0, 0
	look := func(t rapid.TB, r *rig, effects []Effect) {
		if wrong := wrongAfter(r.e, r.e); wrong != "" {
			t.Fatalf("%v at %v: %s", r.e.latch.state, r.e.now, wrong)
		}
		relayOff, beatOff := -1, -1
		for i, f := range effects {
			switch {
			case f.Kind == RelayEffect && !f.On:
				relayOff = i
			case f.Kind == BeatEffect && !f.On:
				beatOff = i
			case f.Kind == StateEffect && (f.From == Live || f.From == Lowering) && f.State != Live && f.State != Lowering:
				opened++
				if relayOff < 0 || beatOff < 0 || effects[relayOff].At != f.At || effects[beatOff].At != f.At {
					t.Fatalf("live was left with relay and heartbeat not opened before that is told, in the same call: %v", effects)
				}
			}
		}
		if r.e.latch.closed {
			closed++
		}
	}
	live := bases(t)[1]
	for _, o := range openings {
		r := live.twin(t)
		if o.lowers {
			r.press(End, 100*time.Millisecond)
		}
		if want := map[bool]State{false: Live, true: Lowering}[o.lowers]; r.e.latch.state != want {
			t.Fatalf("%s: begins in %v, want %v", o.what, r.e.latch.state, want)
		}
		r.seen = func(effects []Effect) { look(t, r, effects) }
		before := opened
		if o.do(r); opened != before+1 || r.e.latch.closed || r.e.latch.relayOn || r.e.latch.beatOn {
			t.Errorf("%s, lowering %v: %d openings, it is %v by %v", o.what, o.lowers, opened-before, r.e.latch.state, r.e.latch.why)
		}
	}
	for range 8 {
		alongStreams(t, func(rt *rapid.T, r *rig, effects []Effect) { look(rt, r, effects) })
	}
	t.Logf("opened %d times, closed for %d calls", opened, closed)
}
