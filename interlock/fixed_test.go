package interlock

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// What does not move: defaults, numbers and bounds.

// Currents are asked for only where they verify the opening.
func TestCurrentsAreWantedWhereTheyAreChecked(t *testing.T) {
	for amps, want := range map[float64]bool{0: false, 5: true} {
		w := newRig(t, exploreEnvelope, func(s *Site) { s.IdleCurrent = amps }).e.Wanted()
		for _, id := range currents {
			if w[id] != want {
				t.Errorf("%v with %v A that may remain is wanted: %v", id, amps, w[id])
			}
		}
	}
}

// A line or a channel that there is not is none, the first one past the last too.
func TestLinesAndChannelsThatThereAreNot(t *testing.T) {
	e := bases(t)[1].twin(t).e
	for _, l := range []Line{LineCount, 255} {
		if said := e.Step(e.now, &Input{Kind: LineInput, Line: l}); len(said) != 0 || e.latch.state != Live {
			t.Errorf("line %d: %v", l, said)
		}
	}
	for _, id := range []rules.ChannelID{rules.ChannelCount, rules.ChannelCount + 1} {
		if got := e.Reading(id); got != (limits.Reading{}) {
			t.Errorf("channel %d: %+v", id, got)
		}
	}
}

// As many rules as fit are taken.
func TestAsManyRulesAsFit(t *testing.T) {
	many := make([]rules.Rule, maxRules)
	for i := range many {
		many[i] = rules.Rule{Watch: rules.Tension, Form: rules.Above, Limit: 1, StaleAfter: time.Second}
	}
	if _, err := New(&rules.Envelope{Rules: many}, plainSite()); err != nil {
		t.Error(err)
	}
}

// What a pad file leaves out is as the plan has it. The times of silence stand in its
// table of stale times, horn and heights in its table of the latch; the others are ours.
func TestWhatAPadFileLeavesOut(t *testing.T) {
	const ms = time.Millisecond
	want := Site{
		Chain: Chain{
			PickUp: 400 * ms, DropOut: 200 * ms, Discrepancy: 500 * ms, PinStale: 20 * ms, EndGrace: 30_000 * ms,
			ReadyAfter: 10_000 * ms, Horn: 3000 * ms, ResetShortest: 100 * ms, ResetLongest: 3000 * ms,
		},
		LinkStale: 500 * ms, DownHeight: 0.3, LowHeight: 1, IdleOutput: 0.15, LowOutput: 0.25, StillRotor: 1,
	}
	if diff := cmp.Diff(want, DefaultSite()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// The numbers of inputs and host events stand in recordings: none of them moves.
func TestNumbersThatStandInRecordings(t *testing.T) {
	for i, h := range []Host{
		HostKept, HostLost, HostStalled, HostRelayFailed, HostLink, HostDisk, HostProof, HostClash, HostMark, HostSensor,
		HostDeclared, HostEnd, HostStopTime, HostCard, HostReaction, HostGround, HostStrangers, HostLedger, HostHeldUp, HostBroken,
	} {
		if int(h) != i+1 {
			t.Errorf("host event %d has number %d", i+1, h)
		}
	}
	for i, k := range []InputKind{SampleInput, LineInput, FrameInput, HostInput} {
		if int(k) != i+1 {
			t.Errorf("kind of input %d has number %d", i+1, k)
		}
	}
	for i, l := range []Line{EStopA, EStopB, Gate, Hold, Reset, Start, End, Readback} {
		if int(l) != i {
			t.Errorf("line %d has number %d", i, l)
		}
	}
}
