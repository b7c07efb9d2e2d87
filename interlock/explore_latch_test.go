package interlock

import (
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

var explore = flag.Int("explore", 12, "how many images from each beginning are explored with every pair of inputs; hundreds take minutes")

// mayMean states by which events of the table a move with that reason may come.
var mayMean = map[Reason][]Event{
	ReasonPermissivesHold: {EventPermissives}, ReasonPermissiveLost: {EventPermissiveLost}, ReasonNotIdle: {EventPermissiveLost},
	ReasonReset: {EventReset}, ReasonStart: {EventStart}, ReasonClosed: {EventClosed}, ReasonEnd: {EventEnd}, ReasonSessionEnd: {EventSessionEnd},
	ReasonEStop: {EventEStop}, ReasonEStopOne: {EventEStop, EventSelfTest}, ReasonGate: {EventGate}, ReasonHold: {EventHold},
	ReasonReadbackOpened: {EventMirrorOpened}, ReasonReadbackClosed: {EventMirrorClosed}, ReasonReadbackNot: {EventNotClosed}, ReasonPowerRemains: {EventMirrorClosed},
	ReasonRelayFailed: {EventSelfTest}, ReasonBroken: {EventSelfTest}, ReasonStalled: {EventImmediate}, ReasonPinsSilent: {EventImmediate}, ReasonLink: {EventImmediate},
	ReasonRestart: {EventImmediate}, ReasonClash: {EventImmediate}, ReasonGraceOver: {EventGraceOver}, ReasonClimbing: {EventClimbing},
	ReasonHeightLost: {EventHeightLost}, ReasonDown: {EventDown}, ReasonRule: {EventControlled, EventImmediate}, ReasonRuleMissing: {EventControlled, EventImmediate},
}

// atOnce are inputs that are an event of the table by themselves, and when.
var atOnce = []struct {
	what  string
	event Event
	in    Input
	is    func(e *Engine) bool
}{
	{"a stall", EventImmediate, Input{Kind: HostInput, Host: HostStalled}, nil},
	{"a second sender", EventImmediate, Input{Kind: HostInput, Host: HostClash}, nil},
	{"a relay that cannot be written", EventSelfTest, Input{Kind: HostInput, Host: HostRelayFailed, On: true}, nil},
	{"a part that panicked", EventSelfTest, Input{Kind: HostInput, Host: HostBroken, On: true}, nil},
	{"the emergency stop", EventEStop, Input{Kind: LineInput, Line: EStopA}, func(e *Engine) bool { return e.latch.lines[EStopA].on && e.latch.lines[EStopB].on }},
	{"the gate", EventGate, Input{Kind: LineInput, Line: Gate}, func(e *Engine) bool { return e.latch.lines[Gate].on }},
	{"the end button", EventEnd, Input{Kind: LineInput, Line: End, On: true}, func(e *Engine) bool { return e.latch.lines[End].known && !e.latch.lines[End].on }},
	{"the end of the session", EventSessionEnd, Input{Kind: HostInput, Host: HostEnd, On: true}, func(e *Engine) bool { return !e.latch.ended }},
}

// explorer counts what was seen.
type explorer struct {
	t      *testing.T
	oracle map[[3]int]State
	moves  map[string]int
	states map[State]bool
	images map[string]bool
	rows   map[[2]int]bool // event and state that a move was made by
	calls  int
}

func grounding(e *Engine) int {
	if e.grounded() {
		return 1
	}
	return 0
}

// step lets inputs of one instant act on a copy, ends the instant, and holds each
// move to the table.
func (x *explorer) step(before *Engine, at time.Duration, ins ...Input) *Engine {
	x.t.Helper()
	e := before.Clone()
	for _, in := range ins {
		x.calls++
		x.hold(before, e, e.Step(at, &in))
	}
	x.hold(before, e, e.Advance(e.now+1))
	return e
}

// hold holds the moves of one answer to the table.
func (x *explorer) hold(before, e *Engine, effects []Effect) {
	x.t.Helper()
	for _, f := range effects {
		if f.Kind != StateEffect || f.Reason == ReasonPowerUp {
			continue
		}
		x.moves[fmt.Sprintf("%v -> %v: %v", f.From, f.State, f.Reason)]++
		listed := false
		for _, event := range mayMean[f.Reason] {
			// The phase may move in the same call, before or after.
			for g := range 2 {
				if row := [3]int{int(event), g, int(f.From)}; x.oracle[row] == f.State {
					listed = true
					x.rows[[2]int{int(event), int(f.From)}] = true
				}
			}
		}
		if !listed {
			x.t.Errorf("%v -> %v by %q is no row of the table", f.From, f.State, f.Reason)
		}
	}
	if wrong := wrongAfter(before, e); wrong != "" {
		x.t.Fatalf("%v to %v at %v: %s", before.latch.state, e.latch.state, e.now, wrong)
	}
	x.states[e.latch.state] = true
}

// rank orders states by how much is on the safe side of what.
func rank(s State) int {
	return map[State]int{Live: 0, Closing: 1, Lowering: 1, Ready: 2, Blocked: 3, Tripped: 4, Fault: 5}[s]
}

// Everything that can happen in one instant, alone and with every other thing,
// from images in every state: each move of the latch is a row of the table, an
// input that is an event by itself moves it as its row says, and of two that
// come together, in either order, the safer has its way.
func TestExploreLatchAndPairs(t *testing.T) {
	x := &explorer{t: t, oracle: latchOracle(t), moves: map[string]int{}, rows: map[[2]int]bool{}, states: map[State]bool{}, images: map[string]bool{}}
	alphabet := append(exploreAlphabet(),
		Input{Kind: HostInput, Host: HostClash}, Input{Kind: HostInput, Host: HostRelayFailed, On: true}, Input{Kind: HostInput, Host: HostRelayFailed},
		Input{Kind: HostInput, Host: HostEnd, On: true}, Input{Kind: HostInput, Host: HostDisk, On: true}, Input{Kind: HostInput, Host: HostDisk},
		Input{Kind: LineInput, Line: EStopB}, Input{Kind: LineInput, Line: EStopB, On: true}, Input{Kind: LineInput, Line: Gate}, Input{Kind: LineInput, Line: Gate, On: true})
	pairs, direct, most := 0, 0, *explore
	if testing.Short() {
		most = min(most, 4)
	}
	for _, seed := range exploreMore(t) {
		queue := []*Engine{seed}
		for n := 0; n < len(queue) && n < most; n++ {
			e := queue[n]
			at := e.now + exploreTick
			for _, d := range atOnce {
				if d.is != nil && !d.is(e) {
					continue
				}
				direct++
				want := x.oracle[[3]int{int(d.event), grounding(e), int(e.latch.state)}]
				if got := x.step(e, e.now+1, d.in); want != e.latch.state && got.latch.state != want && !(want == Blocked && got.latch.state == Ready) {
					t.Errorf("%s in %v (grounded %d) leads to %v, the table says %v", d.what, e.latch.state, grounding(e), got.latch.state, want)
				}
			}
			x.step(e, e.now+time.Minute) // nothing comes for a minute
			alone := make([]*Engine, len(alphabet))
			for i, in := range alphabet {
				alone[i] = x.step(e, at, in)
				image := string(alone[i].AppendState(nil))
				if !x.images[image] && len(queue) < 4*most {
					queue = append(queue, alone[i])
				}
				x.images[image] = true
			}
			for i := range alphabet {
				for j := range alphabet {
					if i == j {
						continue
					}
					pairs++
					both := x.step(e, at, alphabet[i], alphabet[j])
					x.safer(e, alphabet[i], alphabet[j], alone[i], alone[j], both)
					if i < j {
						x.anyOrder(e, at, alphabet[i], alphabet[j], both)
					}
				}
			}
		}
	}
	for s := range stateCount {
		if !x.states[s] {
			t.Errorf("%v was never seen", s)
		}
	}
	var kinds []string
	for m := range x.moves {
		kinds = append(kinds, m)
	}
	slices.Sort(kinds)
	moving := map[[2]int]bool{}
	for row, next := range x.oracle {
		if next != State(row[2]) {
			moving[[2]int{row[0], row[2]}] = true
		}
	}
	t.Logf("%d of the table's %d entries that move the latch were gone through", len(x.rows), len(moving))
	for row := range moving {
		if !x.rows[row] {
			t.Logf("not gone through here but in the scripts, or by no way at all: event %d in %v", row[0], State(row[1]))
		}
	}
	t.Logf("%d states of the latch, %d images, %d kinds of move, %d pairs of inputs, %d inputs that are an event, %d calls", len(x.states), len(x.images), len(kinds), pairs, direct, x.calls)
	t.Logf("moves:\n%s", strings.Join(kinds, "\n"))
	if len(kinds) < 40 || pairs < 10_000 {
		t.Errorf("%d kinds of move, %d pairs: too few to say anything", len(kinds), pairs)
	}
}

// anyOrder wants two inputs of one instant to lead to the same state in either
// order, with a trip on record in both or in neither. Two values of one channel
// or levels of one line have an order of their own; and whether a value was back
// inside before a phase began cannot be known where both come at once.
func (x *explorer) anyOrder(e *Engine, at time.Duration, a, b Input, both *Engine) {
	x.t.Helper()
	if a.Kind == b.Kind && a.Line == b.Line && a.Host == b.Host && a.Sample.Channel == b.Sample.Channel {
		return
	}
	if a.Kind == SampleInput && b.Kind == SampleInput && (phase(a) || phase(b)) {
		return
	}
	other := x.step(e, at, b, a)
	if other.latch.state != both.latch.state || other.latch.trips > e.latch.trips != (both.latch.trips > e.latch.trips) || other.latch.closed != both.latch.closed {
		x.t.Errorf("from %v: %v then %v in one instant lead to %v with %d trips, in the other order to %v with %d",
			e.latch.state, a, b, both.latch.state, both.latch.trips-e.latch.trips, other.latch.state, other.latch.trips-e.latch.trips)
	}
}

// safer wants of two inputs in one instant that whichever opens alone opens
// both ways, and that a trip or a fault is not undone by the other.
func (x *explorer) safer(e *Engine, a, b Input, one, two, both *Engine) {
	x.t.Helper()
	switch flies := (ends(a) || ends(b)) && (phase(a) || phase(b)); {
	case both.latch.closed && flies && both.latch.state == Lowering:
		// It was said to fly in that very instant: then an end brings it down.
	case both.latch.closed && a.Kind == SampleInput && b.Kind == SampleInput:
		// The first may be the very value that the other's rule waits for.
	case both.latch.closed && !(one.latch.closed && two.latch.closed):
		x.t.Errorf("from %v: %v and %v each alone leave it %v and %v, together %v with power on", e.latch.state, a, b, one.latch.state, two.latch.state, both.latch.state)
	}
	switch worst := max(rank(one.latch.state), rank(two.latch.state)); {
	case e.latch.state == Tripped || e.latch.state == Fault:
		// A reset may come first, and what comes then acts as in blocked.
	case one.latch.state == Blocked && both.latch.state == Blocked && !alwaysActs(b):
		// Power is off by the first, and the other finds blocked.
	case worst >= rank(Tripped) && rank(both.latch.state) < worst:
		x.t.Errorf("from %v: %v and %v each alone lead to %v and %v, together only to %v", e.latch.state, a, b, one.latch.state, two.latch.state, both.latch.state)
	}
}

// ends is an input that ends a run; phase one that says whether it flies.
func ends(in Input) bool {
	return in.Kind == LineInput && in.Line == End && in.On || in.Kind == HostInput && in.Host == HostEnd
}

// alwaysActs is an input that moves the latch from blocked, too.
func alwaysActs(in Input) bool {
	return in.Kind == LineInput && (in.Line == EStopA || in.Line == EStopB) && !in.On || in.Kind == LineInput && in.Line == Readback && in.On ||
		in.Kind == HostInput && in.Host == HostRelayFailed && in.On
}

func phase(in Input) bool {
	return in.Kind == SampleInput && (in.Sample.Channel == rules.CraftArmed || in.Sample.Channel == rules.CraftLanded)
}

// exploreMore are the seeds, and some in which a button is held whose release
// counts.
func exploreMore(t *testing.T) []*Engine {
	seeds := exploreSeeds(t)
	for _, s := range slices.Clone(seeds) {
		e := s.Clone()
		e.Step(e.now, &Input{Kind: HostInput, Host: HostKept, Seq: 1 << 30})
		e.Step(e.now, &Input{Kind: LineInput, Line: Readback, On: e.latch.closed})
		e.Step(e.now, &Input{Kind: LineInput, Line: Reset, On: true})
		seeds = append(seeds, e)
	}
	return seeds
}
