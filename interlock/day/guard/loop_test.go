package guard

import (
	"errors"
	"slices"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

var errPin = errors.New("injected: the line cannot be written")

// The relay's write comes before anything is kept or shown, and the heartbeat
// makes no edge after it.
func TestPromise01_RelayIsWrittenBeforeAnythingIsKept(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	r.say(r.bank(1))
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	off, keep := slices.Index(r.did, "relay off"), slices.Index(r.did, "keep")
	if off != 0 && !(off == 1 && r.did[0] == "keep") {
		t.Fatalf("the relay was not the first write: %v", r.did)
	}
	// The pins of the turn may be kept before; they decided nothing.
	trip := slices.IndexFunc(r.decisions, func(f interlock.Effect) bool { return f.Kind == interlock.TripEffect })
	if trip < 0 || keep < 0 {
		t.Fatalf("no trip was handed to the keeper: %v", r.did)
	}
	if again := slices.Index(r.did[off:], "keep"); again < 0 {
		t.Fatalf("nothing was kept after the relay's write: %v", r.did)
	}
	if slices.Contains(r.did, "heartbeat on") || slices.Contains(r.did, "heartbeat off") {
		t.Errorf("an edge in the turn of the trip: %v", r.did)
	}
	r.run(time.Second)
	if n := len(r.board.beats); n != 0 {
		t.Errorf("%d heartbeat edges after the trip", n)
	}
	if r.board.PowerOn() {
		t.Error("power at the rotors 1 s after the trip")
	}
}

// While live an edge comes at most once a turn, never closer than the window
// of the watchdog allows; every way to open ends them.
func TestPromise01_HeartbeatStopsWithEveryOpening(t *testing.T) {
	for _, way := range []struct {
		name string
		do   func(r *rig)
		want interlock.State
	}{
		{"a rule", func(r *rig) { r.say(r.bank(1)) }, interlock.Tripped},
		{"emergency stop", func(r *rig) { must(r.t, r.board.OpenContact("estop")) }, interlock.Tripped},
		{"gate", func(r *rig) { must(r.t, r.board.OpenContact("gate")) }, interlock.Tripped},
		{"end on the ground", func(r *rig) { must(r.t, r.board.Press("end")) }, interlock.Blocked},
		{"silence of the craft", func(r *rig) { r.mute = true }, interlock.Tripped},
		// Nobody can read whether the contactor opened: no reset until it can be.
		{"inputs that cannot be read", func(r *rig) { must(r.t, r.board.Break("inputs")) }, interlock.Tripped},
		{"relay that cannot be written", func(r *rig) { r.board.failBeat = errPin }, interlock.Fault},
		{"end of the session", func(r *rig) { r.loop.End(r.now) }, interlock.Blocked},
	} {
		t.Run(way.name, func(t *testing.T) {
			r := newRig(t)
			r.live()
			r.forget()
			r.run(time.Second)
			if n := len(r.board.beats); n < 35 || n > 41 {
				t.Fatalf("%d edges in a second of live, want about 40", n)
			}
			for i := 1; i < len(r.board.beats); i++ {
				if gap := r.board.beats[i] - r.board.beats[i-1]; gap < virtual.LeastGap || gap > virtual.MostGap {
					t.Fatalf("edges %v apart", gap)
				}
			}
			way.do(r)
			r.run(time.Second)
			r.want(way.want)
			r.forget()
			r.run(time.Second)
			if len(r.board.beats) != 0 || r.board.PowerOn() {
				t.Errorf("%d edges in the second after, power %v", len(r.board.beats), r.board.PowerOn())
			}
		})
	}
}

// A turn that is held up in its middle: the next edge keeps its distance from
// the one that was really written late.
func TestHeartbeatKeepsItsDistanceAfterALateEdge(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	for range 40 {
		r.untilBeat()
		r.board.slow = 12 * ms // within the turn, after its begin was taken
		r.loop.pinsAt = 0      // the lines are taken in this turn, so that they do not grow stale
		r.loop.Turn(r.now)
		r.board.slow = 0
		r.untilBeat()
		r.loop.Turn(r.now)
	}
	r.want(interlock.Live)
	if len(r.board.beats) < 20 {
		t.Fatalf("only %d edges", len(r.board.beats))
	}
	for i := 1; i < len(r.board.beats); i++ {
		if gap := r.board.beats[i] - r.board.beats[i-1]; gap < virtual.LeastGap {
			t.Fatalf("edges %d and %d are only %v apart, a burst to a window watchdog", i-1, i, gap)
		}
	}
}

// However many turns fall on one instant, and however late a turn comes, a
// turn makes one edge at most.
func TestHeartbeatNeverCatchesUp(t *testing.T) {
	r := newRig(t)
	r.live()
	for len(r.board.beats) == 0 {
		r.run(ms)
	}
	for range 4 { // late, and no silence yet
		r.now += 9 * ms
		r.air()
		if r.now-r.board.beats[len(r.board.beats)-1] < beatEvery {
			r.loop.Turn(r.now)
		}
	}
	r.forget()
	for range 10 {
		before := len(r.board.beats)
		r.loop.Turn(r.now)
		if n := len(r.board.beats) - before; n > 1 {
			t.Fatalf("%d edges in one turn", n)
		}
	}
	if n := len(r.board.beats); n != 1 {
		t.Errorf("%d edges at one instant, want 1", n)
	}
}

func TestPromise05_AStallIsToldBeforeWhatFellDueInIt(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	// A backlog of some frames, the craft well in each of them.
	for range 15 {
		r.now += 10 * ms
		r.air()
	}
	dropped := r.loop.Dropped()
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	if len(r.board.beats) != 0 {
		t.Error("a heartbeat edge in the turn after the stall")
	}
	if r.loop.Dropped() == dropped {
		t.Error("the backlog was not dropped")
	}
	for _, c := range r.chunks {
		if c.Source == intake.Telemetry {
			t.Error("telemetry of before the stall was taken in after it")
		}
	}
	trips := r.trips()
	if !slices.Contains(trips, interlock.ReasonStalled) {
		t.Errorf("the stall itself is not listed: %v", trips)
	}
	// It is its own first cause, dated now: what fell silent meanwhile stands behind it.
	if f := r.decisions[slices.IndexFunc(r.decisions, func(f interlock.Effect) bool { return f.Kind == interlock.TripEffect })]; f.At != r.now || f.Reason != interlock.ReasonStalled || f.Lasted < 150*ms {
		t.Errorf("first cause %v for %v at %v, want a stall of 150 ms at %v", f.Reason, f.Lasted, f.At, r.now)
	}
	// A gap that is told: the next chunk of the links says how much was lost.
	r.air()
	r.now += 5 * ms
	r.run(200 * ms)
	lost := uint32(0)
	for _, c := range r.chunks {
		lost += c.Lost
	}
	if lost == 0 {
		t.Error("the loss is not marked on what came after")
	}
}

// A process that was paused for a second and goes on: the chain stays open
// until reset and start, however well everything is afterwards.
func TestPromise05_PausedForASecondAndGoneOn(t *testing.T) {
	r := newRig(t)
	r.live()
	r.now += time.Second
	r.forget()
	r.run(20 * time.Second)
	r.wantOpen()
	if slices.Contains(r.did, "relay on") || len(r.board.beats) != 0 || r.board.PowerOn() {
		t.Fatalf("something closed again by itself: %d edges", len(r.board.beats))
	}
	r.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: 1000})
	r.run(100 * ms)
	r.press("start")
	r.wantOpen()
	r.press("reset")
	r.run(11 * time.Second)
	r.want(interlock.Ready)
	if slices.Contains(r.did, "relay on") || r.board.PowerOn() {
		t.Fatal("a reset closed the chain")
	}
	r.press("start")
	r.run(4 * time.Second)
	r.want(interlock.Live)
}

// A pause between the turn's begin and the reading of the lines: the contactor that
// the watchdog let go meanwhile is no opening of its own from before the pause.
func TestPromise05_PausedBeforeTheLinesWereRead(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	r.board.levels = func() (uint32, error) {
		r.board.levels = nil
		r.now += time.Second
		return r.board.Board.Levels()
	}
	began := r.now
	r.loop.Turn(r.now)
	r.run(2 * time.Second)
	r.wantOpen()
	i := slices.IndexFunc(r.decisions, func(f interlock.Effect) bool { return f.Kind == interlock.TripEffect })
	if i < 0 || r.decisions[i].Reason != interlock.ReasonStalled || r.decisions[i].At < began+time.Second {
		t.Errorf("on record: %+v", r.decisions)
	}
	if slices.Contains(r.trips(), interlock.ReasonReadbackOpened) || r.state() != interlock.Tripped {
		t.Errorf("%v after %v", r.state(), r.trips())
	}
}

// A pause in a turn's middle, before its outputs: not one edge after it.
func TestPromise05_PausedInTheMiddleOfATurn(t *testing.T) {
	r := newRig(t)
	r.live()
	r.untilBeat()
	r.forget()
	r.board.slow = time.Second
	r.loop.Turn(r.now)
	r.board.slow = 0
	r.run(2 * time.Second)
	r.wantOpen()
	if len(r.board.beats) != 0 || slices.Contains(r.did, "relay on") || r.board.PowerOn() {
		t.Errorf("%d edges after the pause, power %v", len(r.board.beats), r.board.PowerOn())
	}
}

// Turns that each come in time, but an edge that comes too late for the
// watchdog, where the lines may go unread for longer than that and no readback
// would see the contactor drop: the watchdog must not take the later edges for
// a start.
func TestPromise05_ALateEdgeClosesNothingAgain(t *testing.T) {
	for _, held := range []time.Duration{20 * ms, 26 * ms, 30 * ms, 45 * ms, 50 * ms} {
		for _, inside := range []bool{false, true} {
			r := newRig(t, func(s *interlock.Site) { s.PinStale, s.Fitted[interlock.Readback] = 100*ms, false })
			r.live()
			r.untilBeat()
			r.forget()
			if inside {
				r.board.slow, r.loop.pinsAt = held, 0
				r.loop.Turn(r.now)
				r.board.slow = 0
			} else {
				r.now += held
				r.air()
			}
			dropped := false
			for range 400 {
				r.now += ms
				r.air()
				r.loop.Turn(r.now)
				on := r.board.PowerOn()
				if dropped && on {
					t.Fatalf("held up for %v (in the turn: %v): power came back by itself", held, inside)
				}
				dropped = dropped || !on
			}
			if held > 25*ms {
				r.wantOpen()
				if !slices.Contains(r.trips(), interlock.ReasonStalled) {
					t.Errorf("held up for %v (in the turn: %v): trips %v", held, inside, r.trips())
				}
			}
		}
	}
}

func TestPinsThatFailToReadTripByStaleness(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	// Every level says "in order": a failed read is never a level.
	good, err := r.board.Board.Levels()
	must(t, err)
	failed := r.now
	r.board.levels = func() (uint32, error) { return good, errPin }
	r.run(100 * ms)
	r.want(interlock.Tripped)
	if trips := r.trips(); len(trips) == 0 || trips[0] != interlock.ReasonPinsSilent {
		t.Fatalf("trips %v", trips)
	}
	for _, f := range r.decisions {
		if f.Kind == interlock.TripEffect {
			stale := r.pad.Site().PinStale
			if wait := f.At - failed; wait > stale || wait < stale-pinTurn {
				t.Errorf("it tripped %v after the last good read, want about %v", wait, stale)
			}
			break
		}
	}
	if r.board.PowerOn() {
		t.Error("power at the rotors")
	}
}

// A flood on the links holds up neither pins nor heartbeat, and as long as the
// loop can take it in it costs the craft no frame.
func TestFloodOnALinkHoldsUpNothing(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	flood := func(n int) {
		junk := make([]byte, 300)
		for range n {
			r.loop.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: junk})
		}
	}
	for range 200 {
		flood(100) // 20,000 a second
		r.run(5 * ms)
	}
	r.want(interlock.Live)
	if n := len(r.board.beats); n < 35 || r.loop.Dropped() != 0 {
		t.Errorf("%d edges in a second of flood, %d chunks dropped", n, r.loop.Dropped())
	}
	must(t, r.board.OpenContact("estop"))
	r.forget()
	flood(1000) // more than the lane holds, all at once
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	if r.did[0] != "relay off" {
		t.Errorf("the stop waited behind the flood: %v", r.did[:min(5, len(r.did))])
	}
	if r.loop.Dropped() == 0 {
		t.Error("a lane of 256 took 1000 chunks")
	}
}

// What one turn leaves in a lane is taken by the next at once, also when
// nothing more comes in.
func TestLeftOversDoNotWait(t *testing.T) {
	r := newRig(t)
	r.run(100 * ms)
	for range 3 * perLane {
		r.loop.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: []byte{1}})
	}
	r.forget()
	turns := 0
	for r.loop.Turn(r.now) <= r.now && turns < 10 {
		turns++
	}
	taken := 0
	for _, c := range r.chunks {
		if c.Source == intake.Telemetry {
			taken++
		}
	}
	if taken != 3*perLane {
		t.Errorf("%d of %d taken in %d turns", taken, 3*perLane, turns)
	}
}

func TestLampFlashesAtStartTripAndEnd(t *testing.T) {
	r := newRig(t)
	r.ready()
	flashes := func(do func()) time.Duration {
		t.Helper()
		r.forget()
		before, _ := r.board.Trace()
		do()
		r.run(lampFor + 50*ms)
		after, _ := r.board.Trace()
		var on, off time.Duration
		for _, e := range after[len(before):] {
			if e.Line == "lamp" && e.On {
				on = e.At
			}
			if e.Line == "lamp" && !e.On {
				off = e.At
			}
		}
		if on == 0 || off == 0 {
			t.Fatalf("no whole flash: on %v off %v", on, off)
		}
		return off - on
	}
	near := func(what string, got time.Duration) {
		t.Helper()
		if got < lampFor || got > lampFor+10*ms {
			t.Errorf("the flash at %s lasts %v, want %v", what, got, lampFor)
		}
	}
	must(t, r.board.Press("start"))
	r.run(100 * ms)
	must(t, r.board.Release("start"))
	r.run(2500 * ms)
	near("the start", flashes(func() { r.run(500 * ms) }))
	r.run(time.Second)
	r.want(interlock.Live)
	near("the trip", flashes(func() { r.say(r.bank(1)) }))
}
