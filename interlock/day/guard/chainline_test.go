package guard

import (
	"slices"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// A relay that cannot be written while closing: heartbeat effects that stand
// behind the failed write in the same answer start nothing; the write is tried
// again until it works, and only then a reset is taken.
func TestFailedRelayWriteStopsTheHeartbeatAndIsRetried(t *testing.T) {
	r := newRig(t)
	r.ready()
	r.press("start")
	r.run(2 * time.Second) // past the chain test
	r.want(interlock.Closing)
	r.board.failRelay = errPin
	r.forget()
	r.run(2 * time.Second)
	r.want(interlock.Fault)
	if len(r.board.beats) != 0 {
		t.Errorf("%d heartbeat edges around a failed relay write", len(r.board.beats))
	}
	tries := r.board.relays
	r.run(time.Second)
	if n := r.board.relays - tries; n < 8 || n > 12 {
		t.Errorf("%d tries in a second, want about 10", n)
	}
	for _, did := range r.did[slices.Index(r.did, "relay on")+1:] {
		if did == "relay on" {
			t.Fatal("a retry asked for power")
		}
	}
	r.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: 1000})
	r.press("reset")
	r.want(interlock.Fault)
	r.board.failRelay = nil
	r.run(200 * ms)
	tries = r.board.relays
	r.run(time.Second)
	if r.board.relays != tries {
		t.Error("it is still tried after it worked")
	}
	r.press("reset")
	r.run(200 * ms)
	r.want(interlock.Ready)
}

// A relay that can be written says nothing of the heartbeat's line: while that one
// cannot be, no reset is taken.
func TestHeartbeatThatStaysBrokenTakesNoReset(t *testing.T) {
	r := newRig(t)
	r.ready()
	r.press("start")
	r.run(2 * time.Second) // past the chain test
	r.board.failBeat = errPin
	r.run(2 * time.Second)
	r.want(interlock.Fault)
	r.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: 1000})
	r.press("reset")
	r.run(200 * ms)
	r.want(interlock.Fault)
	r.forget()
	r.board.failBeat = nil
	r.run(time.Second)
	edges := 0
	for _, did := range r.did {
		if did == "heartbeat on" || did == "heartbeat off" {
			edges++
		}
	}
	if edges > 1 {
		t.Errorf("%d writes of a heartbeat that works again, in a fault", edges)
	}
	r.press("reset")
	r.run(200 * ms)
	r.want(interlock.Ready)
}

// The instants between a failed write and the engine's knowing of it.
func TestPromise01_NoEdgeBetweenAFailedWriteAndItsFault(t *testing.T) {
	for _, effects := range [][]interlock.Effect{
		{{Kind: interlock.RelayEffect, On: true}, {Kind: interlock.BeatEffect, On: true}},
		{{Kind: interlock.BeatEffect, On: true}, {Kind: interlock.RelayEffect}},
	} {
		r := newRig(t)
		r.run(100 * ms)
		r.board.failRelay = errPin
		r.loop.apply(r.now, effects)
		for range 10 {
			r.loop.outputs(r.now)
			r.now += 5 * ms
		}
		if n := len(r.board.beats); n != 0 {
			t.Errorf("%d edges after %v", n, effects)
		}
	}
}
