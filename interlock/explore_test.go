package interlock

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"downhaul/rules"
)

const exploreEnvelope = `
version = 1
title = "explored"
[[rule]]
name = "overload"
watch = "tether.tension"
above = "1800 N"
caution = "1400 N"
lasting = "900 ms"
stale_after = "1350 ms"
stop = "immediate"
[[rule]]
name = "failures"
watch = "esc.failures"
is_not = 0
while = "armed"
stale_after = "2 s"
stop = "controlled"
grace = "900 ms"
`

const exploreTick = 450 * time.Millisecond

// exploreLines are the lines that the explored pad has.
var exploreLines = []Line{EStopA, EStopB, Gate, Reset, Start, End, Readback}

// exploreAlphabet is what can happen in one tick.
func exploreAlphabet() []Input {
	sample := func(id rules.ChannelID, v float64, q rules.Quality) Input {
		return Input{Kind: SampleInput, Sample: Sample{Channel: id, Value: v, Quality: q}}
	}
	line := func(l Line, on bool) Input { return Input{Kind: LineInput, Line: l, On: on} }
	return []Input{
		{}, // nothing
		sample(rules.Tension, 500, rules.Good), sample(rules.Tension, 1790, rules.Good), sample(rules.Tension, 1900, rules.Good),
		sample(rules.Tension, 500, rules.Doubtful), sample(rules.Tension, 0, rules.Missing),
		sample(rules.ESCFailures, 0, rules.Good), sample(rules.ESCFailures, 1, rules.Good),
		sample(rules.CraftArmed, 0, rules.Good), sample(rules.CraftArmed, 1, rules.Good), sample(rules.CraftLanded, 1, rules.Good), sample(rules.CraftLanded, 0, rules.Good),
		{Kind: FrameInput}, {Kind: HostInput, Host: HostKept, Seq: 1 << 30}, {Kind: HostInput, Host: HostStalled},
		line(EStopA, true), line(EStopA, false), line(Reset, true), line(Reset, false), line(Start, true), line(Start, false),
		line(End, true), line(End, false), line(Readback, true), line(Readback, false),
	}
}

// exploreSeeds are engines in every state, kept alive in each tick.
func exploreSeeds(t *testing.T) []*Engine {
	env, faults := rules.ReadEnvelope("explored.toml", []byte(exploreEnvelope))
	if env == nil {
		t.Fatal(faults)
	}
	site := plainSite()
	site.Duty, site.Rotors = Guard, rules.RotorsStanding{Standing: exploreTick, Measured: true}
	site.PickUp, site.DropOut, site.PinStale, site.LinkStale, site.ReadyAfter = 2*exploreTick, 2*exploreTick, 3*exploreTick, 3*exploreTick, 2*exploreTick
	for _, l := range exploreLines {
		site.Fitted[l] = true
	}
	for _, id := range []rules.ChannelID{rules.Tension, rules.ESCFailures, rules.CraftArmed, rules.CraftLanded} {
		site.Fed[id] = rules.CraftSays
	}
	e, err := New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	var seeds []*Engine
	var on [LineCount]bool
	on[EStopA], on[EStopB], on[Gate] = true, true, true
	armed := 0.0
	tick := func(n int) {
		for range n {
			at := e.now + exploreTick
			on[Readback] = e.latch.closed
			for _, l := range exploreLines {
				e.Step(at, &Input{Kind: LineInput, Line: l, On: on[l]})
			}
			e.Step(at, &Input{Kind: FrameInput})
			for _, s := range []Sample{{Channel: rules.CraftArmed, Value: armed}, {Channel: rules.CraftLanded, Value: 1 - armed},
				{Channel: rules.Tension, Value: 500}, {Channel: rules.ESCFailures}} {
				s.Quality = rules.Good
				e.Step(at, &Input{Kind: SampleInput, Sample: s})
			}
		}
	}
	keep := func(want State) {
		t.Helper()
		if e.latch.state != want {
			t.Fatalf("the seed is %v, want %v", e.latch.state, want)
		}
		seeds = append(seeds, e.Clone())
	}
	press := func(l Line) { on[l] = true; tick(1); on[l] = false; tick(1) }
	keep(Blocked)
	tick(1)
	press(Reset)
	tick(8)
	keep(Ready)
	press(Start)
	keep(Closing)
	tick(4)
	keep(Closing)
	tick(4)
	keep(Live)
	armed = 1
	tick(1)
	keep(Live)
	press(End)
	keep(Lowering)
	e.Step(e.now, &Input{Kind: HostInput, Host: HostStalled})
	keep(Tripped)
	tick(5)
	armed = 0
	tick(8)
	keep(Tripped)
	on[Readback] = true
	e.Step(e.now, &Input{Kind: LineInput, Line: Readback, On: true})
	keep(Fault)
	return seeds
}

// TestEqualImagesHaveEqualFutures explores what can happen in a few ticks from
// every state. When an image is reached twice, by different ways, both engines
// must answer whatever comes next alike.
func TestEqualImagesHaveEqualFutures(t *testing.T) {
	alphabet := exploreAlphabet()
	// signature is the answer to every next input, and the image after it.
	signature := func(e *Engine, visit func(*Engine, string)) string {
		s := ""
		for _, in := range alphabet {
			next := e.Clone()
			for _, f := range next.Step(e.now+exploreTick, &in) {
				f.At -= e.now
				f.Trip = 0
				s += fmt.Sprintf("%+v;", f)
			}
			checkStep(t, e, next)
			image := string(next.AppendState(nil))
			s += fmt.Sprintf("%x|", fnv(image))
			visit(next, image)
		}
		return s
	}
	known := map[string]string{} // image to signature
	again, states := 0, map[State]bool{}
	most := 220 // states from each seed
	if testing.Short() {
		most = 170
	}
	for _, seed := range exploreSeeds(t) {
		type node struct {
			e     *Engine
			image string
		}
		queue := []node{{seed, string(seed.AppendState(nil))}}
		for n := 0; n < len(queue) && n < most; n++ {
			e, image := queue[n].e, queue[n].image
			states[e.latch.state] = true
			s := signature(e, func(next *Engine, image string) {
				if len(queue) < 3*most {
					queue = append(queue, node{next, image})
				}
			})
			if old, ok := known[image]; ok {
				again++
				if s != old {
					t.Fatalf("one image, two futures, in %v at %v:\n%s\n%s", e.latch.state, e.now, old, s)
				}
			}
			known[image] = s
		}
	}
	if again < most/2 || len(states) != int(stateCount) {
		t.Errorf("%d images met again in %d states: too few to say anything", again, len(states))
	}
	t.Logf("%d images, %d met again", len(known), again)
}

// fnv is FNV-1a.
func fnv(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}

// checkStep holds what must be so after every call, whatever came.
func checkStep(t testing.TB, before, after *Engine) {
	t.Helper()
	if err := wrongAfter(before, after); err != "" {
		t.Fatalf("%v to %v at %v: %s", before.latch.state, after.latch.state, after.now, err)
	}
}

func wrongAfter(before, after *Engine) string {
	both := after.latch.relayOn && after.latch.beatOn
	switch {
	case both && after.latch.state != Closing && after.latch.state != Live && after.latch.state != Lowering:
		return "relay and heartbeat are on"
	case (after.latch.state == Live || after.latch.state == Lowering) && !both:
		return "relay or heartbeat is off"
	case both != after.latch.closed:
		return "the engine does not know whether the chain is closed"
	case after.latch.state != Closing && after.latch.relayOn != after.latch.beatOn:
		return "one half of the chain is on alone"
	case after.site.Duty == Watch && (after.latch.relayOn || after.latch.beatOn || after.latch.state != Blocked):
		return "duty watch moved"
	case after.latch.dirty && after.Deadline() > after.now+1:
		return "nothing will end the instant"
	}
	standing, cautions := 0, 0
	for i := range after.demands {
		for _, on := range after.demands[i].inForce {
			if on {
				standing++
			}
		}
		if after.demands[i].caution {
			cautions++
		}
	}
	if standing != after.latch.standing || cautions != after.latch.cautions {
		return fmt.Sprintf("counts are %d and %d and should be %d and %d", after.latch.standing, after.latch.cautions, standing, cautions)
	}
	if wrong := wrongLimits(after); wrong != "" {
		return wrong
	}
	for i, due := range slices.Concat(after.timers, after.latch.timers) {
		if due <= after.now && after.started {
			return fmt.Sprintf("timer %d was left at %v", i, due)
		}
		if due < after.Deadline() {
			return fmt.Sprintf("timer %d is due at %v, before the deadline %v", i, due, after.Deadline())
		}
	}
	return ""
}
