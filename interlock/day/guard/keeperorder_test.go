package guard

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/triplog"
)

// moved is a batch with one move of the latch.
func moved(seq uint64, from, to interlock.State) *Batch {
	return &Batch{Chunk: intake.Chunk{Seq: seq, Source: intake.Pins}, Decisions: []interlock.Effect{
		{Kind: interlock.StateEffect, From: from, State: to, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}}
}

// A fault that overtook older records by the reserved place stays the state that every
// later line and note tells: the older moves that are written behind it are past.
func TestPromise05_AnOlderMoveNeverStandsForTheLatest(t *testing.T) {
	log := new(spyLog)
	k := keeperOf(t, newRig(t).env, log, nullRecorder{}, func(uint32) {})
	var noted []string
	k.remember = func(state string) error { noted = append(noted, state); return nil }
	k.put(moved(1, interlock.Closing, interlock.Live))
	for k.queue.room() != nil {
		k.put(&Batch{Chunk: intake.Chunk{Seq: 2, Source: intake.Pins}})
	}
	k.put(moved(3, interlock.Live, interlock.Fault)) // the queue is full: into the reserved place
	k.drain()
	k.put(&Batch{Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: 1, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}})
	k.drain()
	if !slices.Contains(noted, "fault") || noted[len(noted)-1] != "fault" {
		t.Errorf("noted %v, want fault last", noted)
	}
	if last := log.lines[len(log.lines)-1]; last.State != "fault" {
		t.Errorf("the last line says %q, want fault", last.State)
	}
	k.put(moved(4, interlock.Fault, interlock.Blocked))
	k.drain()
	if last := log.lines[len(log.lines)-1]; last.State != "blocked" {
		t.Errorf("after the reset the last line says %q", last.State)
	}
}

// The state that the next session must come up by is noted although the log cannot take
// it: its folder is gone, or its disk is full.
//
//fault:row the trip log cannot take a fault, and the guard is killed | the next session comes up in the fault, by the note outside the folder
func TestPromise05_AFaultIsNotedThoughTheLogCannotTakeIt(t *testing.T) {
	for _, cause := range []error{fmt.Errorf("%w: injected", triplog.ErrGone), errors.New("injected: no room")} {
		log := &spyLog{fail: cause}
		var noted []string
		k := keeperOf(t, newRig(t).env, log, nullRecorder{}, func(uint32) {})
		k.remember = func(state string) error { noted = append(noted, state); return nil }
		k.put(moved(1, interlock.Live, interlock.Fault))
		k.drain()
		if len(noted) == 0 || noted[0] != "fault" {
			t.Errorf("%v: noted %v, want fault at once", cause, noted)
		}
	}
}

// refusingLog takes no trip: each is dropped for good.
type refusingLog struct{ spyLog }

func (l *refusingLog) Append(line triplog.Line, durable bool) error {
	if durable {
		return fmt.Errorf("injected: %w", triplog.ErrDropped)
	}
	return l.spyLog.Append(line, durable)
}

// A trip that the log dropped is kept by no later sync.
func TestPromise04_ATripThatWasDroppedIsNeverKept(t *testing.T) {
	told := uint32(0)
	k := keeperOf(t, newRig(t).env, new(refusingLog), nullRecorder{}, func(n uint32) { told = max(told, n) })
	k.put(&Batch{Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: 1, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}})
	k.drain()
	k.drain()
	if told != 0 {
		t.Errorf("trip %d is told as on disk, and was dropped", told)
	}
}
