package interlock_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

const tTick = 20 * time.Millisecond

// world is the pad as it is: what lines and channels would say if they were read now.
type world struct {
	lines       [interlock.LineCount]bool
	values      [gCount]float64
	missing     [gCount]bool // the channel says that it has no value
	boot        float64
	noCraft     bool
	noPins      bool
	welded      bool          // the contactor follows no more
	follow      time.Duration // how long the contactor takes
	follows     time.Duration // when it moves; never
	closes      bool          // where it moves to
	tick        time.Duration
	now         time.Duration
	keep        time.Duration // how long a record takes to reach the disk
	keepAt      time.Duration
	lastTrip    uint32 // record of the engine
	kept        uint32 // record that is on disk
	relay, beat bool   // as the engine commands
	state       interlock.State
	record      bool
	first       interlock.Reason
	stood       time.Duration // how long the host has stood still
}

// flight is one pad with the engine, the second latch and what led here.
type flight struct {
	e       *interlock.Engine
	m       second
	w       world
	rng     *rand.Rand
	told    bool // what happens is put into words
	what    []string
	trail   []string
	in      []interlock.Input
	wrong   string // the first divergence
	visited *[interlock.Fault + 1]int
}

func (f *flight) tell(i int, in []interlock.Input) []interlock.Input {
	if f.w.noCraft && i <= gOutput {
		return in
	}
	s := interlock.Sample{Channel: f.m.gauges[i].id, Value: f.w.values[i], Quality: rules.Good}
	switch {
	case f.w.missing[i]:
		s = interlock.Sample{Channel: s.Channel, Quality: rules.Missing, Cause: rules.Implausible}
	case math.IsNaN(s.Value):
		s.Quality, s.Cause = rules.Missing, rules.Implausible
	}
	return append(in, interlock.Input{Kind: interlock.SampleInput, Sample: s})
}

// fresh is a pad at power-up, everything in order.
func freshFlight(t testing.TB, hold bool) *flight {
	t.Helper()
	env, faults := rules.ReadEnvelope("second.toml", []byte(secondEnvelope))
	if env == nil {
		t.Fatal(faults)
	}
	s := interlock.DefaultSite()
	s.Duty, s.Rotors = interlock.Guard, rules.RotorsStanding{Standing: tStanding, Measured: true}
	s.PickUp, s.DropOut, s.Discrepancy, s.PinStale, s.LinkStale = tPickUp, tDropOut, tDiscrepancy, tPins, tLink
	s.Watchdog = tWatchdog
	s.EndGrace, s.ReadyAfter, s.Horn, s.ResetShortest, s.ResetLongest = tEndGrace, tHealthy, tHorn, tResetLeast, tResetMost
	s.LowHeight = 0.5
	for l := range s.Fitted {
		s.Fitted[l] = interlock.Line(l) != interlock.Hold || hold
	}
	f := &flight{told: true, m: newSecond(hold), rng: rand.New(rand.NewPCG(0, 0)), visited: new([interlock.Fault + 1]int)}
	for _, g := range f.m.gauges {
		s.Fed[g.id] = rules.CraftSays
	}
	s.Fed[rules.CraftBootClock] = rules.CraftSays
	s.Fed[rules.Tension], s.Fed[rules.SupplyVoltage], s.Fed[rules.WindSpeed] = rules.OwnSensor, rules.OwnSensor, rules.OwnSensor
	s.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, Motors: 1}
	e, err := interlock.New(env, s)
	if err != nil {
		t.Fatal(err)
	}
	f.e = e
	f.w = world{boot: 100, follow: 17 * time.Millisecond, follows: never, keep: time.Millisecond, keepAt: never, tick: tTick}
	f.w.inOrder()
	return f
}

// inOrder is a pad on which everything is as it should be before a start.
func (w *world) inOrder() {
	w.lines[interlock.EStopA], w.lines[interlock.EStopB], w.lines[interlock.Gate], w.lines[interlock.Hold] = true, true, true, true
	w.lines[interlock.Reset], w.lines[interlock.Start], w.lines[interlock.End] = false, false, false
	w.noCraft, w.noPins, w.welded, w.missing = false, false, false, [gCount]bool{}
	if w.lines[interlock.Readback] != (w.relay && w.beat) {
		w.lines[interlock.Readback], w.follows = w.relay && w.beat, never
	}
	w.land()
	w.values[gPull], w.values[gVolts], w.values[gWind] = 500, 50, 3
}

func (w *world) land() {
	w.values[gArmed], w.values[gOutput] = 0, 0
	if w.values[gHeight] > 0 {
		w.values[gClimb] = -3
	} else {
		w.values[gLanded] = 1
	}
}

// copied is the same pad once more, sharing nothing.
func (f *flight) copied(rng *rand.Rand) *flight {
	c := *f
	c.e, c.rng, c.trail, c.what, c.in = f.e.Clone(), rng, slices.Clone(f.trail), nil, nil
	return &c
}

// move lets the craft do what it does in one tick.
func (w *world) move() {
	w.values[gHeight] += w.values[gClimb] * tTick.Seconds()
	if w.values[gHeight] <= 0 {
		w.values[gHeight] = 0
		if w.values[gClimb] < 0 {
			w.values[gClimb], w.values[gLanded], w.values[gOutput] = 0, 1, 0
		}
	}
	w.boot += tTick.Seconds()
}

// when lets everything come that comes before t, and then what comes at t with acts.
func (f *flight) when(t time.Duration, acts ...act) {
	for f.wrong == "" {
		next := min(f.w.tick, f.w.follows, f.w.keepAt)
		if next >= t {
			break
		}
		f.instant(next, nil)
	}
	if f.wrong == "" {
		f.instant(t, acts)
	}
}

func (f *flight) run(d time.Duration, acts ...act) { f.when(f.w.now+d, acts...) }

// stall has the host stand still for d: nothing is read, the watchdog lets go.
func (f *flight) stall(d time.Duration, acts ...act) {
	w := &f.w
	end := w.now + d
	if letsGo := w.now + tWatchdog + w.follow; w.relay && w.beat && !w.welded && letsGo < end {
		w.follows, w.closes, w.lines[interlock.Readback] = never, false, false
	}
	for ; w.tick < end; w.tick += tTick {
		w.move()
	}
	w.tick, w.stood = end, d
	f.instant(end, acts)
}

func (f *flight) instant(at time.Duration, acts []act) {
	w := &f.w
	w.now = at
	in := f.in[:0]
	f.what = f.what[:0]
	stood := w.stood
	if w.stood = 0; stood > 0 {
		in = append(in, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostHeldUp, On: true, Seq: uint32(stood / time.Millisecond)})
		f.say(fmt.Sprint("the host stood still for ", stood))
	}
	if w.keepAt <= at {
		w.keepAt, w.kept = never, w.lastTrip
		in = append(in, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostKept, Seq: w.lastTrip})
		f.say("kept")
	}
	moved := w.follows <= at
	if moved {
		w.follows = never
		if !w.welded {
			in = f.setLine(interlock.Readback, w.closes, in)
			f.say("contactor")
		}
	}
	for i, a := range acts {
		if slices.ContainsFunc(acts[:i], func(b act) bool { return b.of == a.of && a.of >= 0 }) || moved && a.of == int(interlock.Readback) {
			continue
		}
		in = a.do(f, in)
		if f.told {
			f.say(a.String())
		}
	}
	if w.tick <= at {
		w.tick = at + tTick
		w.move()
		if !w.noPins {
			for l := range interlock.LineCount {
				if f.m.fitted(l) {
					in = append(in, interlock.Input{Kind: interlock.LineInput, Line: l, On: w.lines[l]})
				}
			}
		}
		if !w.noCraft {
			in = append(in, interlock.Input{Kind: interlock.FrameInput},
				interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: rules.CraftBootClock, Value: w.boot, Quality: rules.Good}})
		}
		for i := range int(gCount) {
			in = f.tell(i, in)
		}
		f.say("tick")
	}
	before := w.state
	for i := range in {
		f.heed(f.e.Step(at, &in[i]))
		if s := &in[i].Sample; s.Channel == rules.HeightGlobal {
			// Whether a height can be believed is not the latch's to say (promise 14).
			if r := f.e.Reading(rules.Height); r.At == at {
				s.Quality, s.Value = r.Quality, r.Value
			}
		}
	}
	if len(in) == 0 {
		f.heed(f.e.Advance(at))
	}
	was := f.m.state
	if stood > 0 {
		f.m.heldUp(at, stood)
	}
	f.m.before(at)
	f.m.unkept = w.lastTrip > w.kept
	f.m.at(at, in)
	if w.relay && w.beat && f.m.atOnce != 0 && (f.m.state == interlock.Tripped || f.m.state == interlock.Fault) {
		f.wrong = fmt.Sprintf("%v->%v: the chain is not open at once", was, f.m.state)
	}
	// What an instant leads to is settled when it is over.
	over := at + time.Microsecond
	f.heed(f.e.Advance(over))
	f.m.at(over, nil)
	f.visited[f.m.state]++
	f.compare(was)
	f.in = in
	if !f.told || f.wrong == "" && len(f.what) == 1 && f.what[0] == "tick" && before == w.state {
		return
	}
	line := fmt.Sprintf("%v: %s -> %v (second: %v)", at, strings.Join(f.what, ", "), w.state, f.m.state)
	if f.wrong != "" {
		var v interlock.View
		f.e.View(&v)
		line += fmt.Sprintf("; the engine: why %v, against a reset %v, unmet %v, height %v, outputs %v", v.Why, v.ResetBar, v.Unmet, f.e.Reading(rules.Height), f.e.Reading(rules.MotorHighest))
	}
	f.trail = append(f.trail, line)
}

func (f *flight) say(what string) {
	if f.told {
		f.what = append(f.what, what)
	}
}

// heed obeys the engine as contactor and disk do.
func (f *flight) heed(effects []interlock.Effect) {
	w := &f.w
	for _, e := range effects {
		switch e.Kind {
		case interlock.RelayEffect:
			w.relay = e.On
		case interlock.BeatEffect:
			w.beat = e.On
		case interlock.StateEffect:
			w.state = e.State
		case interlock.NoteEffect:
			if e.Reason == interlock.ReasonReset {
				w.record, w.first = false, 0
			}
		case interlock.TripEffect:
			w.record, w.lastTrip = true, e.Trip
			if e.FirstOut {
				w.first = e.Reason
			}
			w.keepAt = max(w.now, e.At) + w.keep
		}
	}
	if chain := w.relay && w.beat; chain != w.closes && !w.welded {
		w.closes, w.follows = chain, w.now+w.follow
		if !chain && w.values[gHeight] > 0 {
			w.values[gClimb] = -3
		}
	}
}

// compare holds both to each other after an instant.
func (f *flight) compare(was interlock.State) {
	w, m := &f.w, &f.m
	switch {
	case f.wrong != "":
	case w.state != m.state:
		f.wrong = fmt.Sprintf("%v: second says %v, engine %v", was, m.state, w.state)
	case w.relay != m.relay || w.beat != m.beat:
		f.wrong = fmt.Sprintf("%v: second says relay %v beat %v, engine %v %v", m.state, m.relay, m.beat, w.relay, w.beat)
	case w.record != m.record:
		f.wrong = fmt.Sprintf("%v->%v: second says record %v, engine %v", was, m.state, m.record, w.record)
	case m.record && m.first&bit(w.first) == 0:
		f.wrong = fmt.Sprintf("%v->%v: second says first cause %s, engine %v", was, m.state, reasons(m.first), w.first)
	}
}

func reasons(set uint64) string {
	var s []string
	for r := interlock.Reason(0); r < 64; r++ {
		if set&bit(r) != 0 {
			s = append(s, r.String())
		}
	}
	return strings.Join(s, " or ")
}
