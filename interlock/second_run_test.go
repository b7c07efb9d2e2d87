package interlock_test

import (
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

var (
	secondCount = flag.Int("second", 3000, "how many random sequences the second latch is held against; a million takes about a quarter of an hour")
	secondFrom  = flag.Int("second.from", 0, "the number of the first of them")
	secondFor   = flag.Duration("second.for", 0, "begin no more sequences after this time; 0 for no end")
	secondTrail = flag.Int("second.trail", 14, "how many of the last instants of an example are shown")
	secondSeed  = flag.Uint64("second.seed", 1, "where the random sequences begin")
)

// act is something that happens at a pad, and what of it is read at once.
type act struct {
	// of is what it happens to, −1 for nothing by itself. An instant is one turn of
	// the loop, which reads each line and channel once.
	of   int
	what string
	v    float64
	do   func(f *flight, in []interlock.Input) []interlock.Input
}

const (
	ofGauge = 100
	ofHost  = 200
	ofBoot  = 300
)

func (a act) String() string { return fmt.Sprintf("%s (%d) %v", a.what, a.of, a.v) }

// ofLine is the same for both contacts of the emergency stop.
func ofLine(l interlock.Line) int {
	if l == interlock.EStopB {
		l = interlock.EStopA
	}
	return int(l)
}

func (f *flight) setLine(l interlock.Line, on bool, in []interlock.Input) []interlock.Input {
	f.w.lines[l] = on
	if f.w.noPins {
		return in
	}
	return append(in, interlock.Input{Kind: interlock.LineInput, Line: l, On: on})
}

func lineIs(l interlock.Line, on bool) act {
	what := "line off"
	if on {
		what = "line on"
	}
	return act{ofLine(l), what, float64(l), func(f *flight, in []interlock.Input) []interlock.Input { return f.setLine(l, on, in) }}
}

func lineFlips(l interlock.Line) act {
	return act{ofLine(l), "line flips", float64(l), func(f *flight, in []interlock.Input) []interlock.Input { return f.setLine(l, !f.w.lines[l], in) }}
}

// stop presses or releases the emergency stop: both contacts.
func stop(released bool) act {
	return act{ofLine(interlock.EStopA), "stop pressed or released", 0, func(f *flight, in []interlock.Input) []interlock.Input {
		return f.setLine(interlock.EStopB, released, f.setLine(interlock.EStopA, released, in))
	}}
}

func valueIs(i int, v float64) act {
	return act{ofGauge + i, "gauge is", v, func(f *flight, in []interlock.Input) []interlock.Input {
		f.w.values[i], f.w.missing[i] = v, false
		return f.tell(i, in)
	}}
}

func valueIsMissing(i int) act {
	return act{ofGauge + i, "gauge is missing", 0, func(f *flight, in []interlock.Input) []interlock.Input {
		f.w.missing[i] = true
		return f.tell(i, in)
	}}
}

func hostSays(h interlock.Host, on bool) act {
	what := "host says not"
	if on {
		what = "host says"
	}
	return act{ofHost + int(h), what, 0, func(_ *flight, in []interlock.Input) []interlock.Input {
		return append(in, interlock.Input{Kind: interlock.HostInput, Host: h, On: on, Seq: 1})
	}}
}

// stopTime is a stop time that was proven at the rotors, or only stated. It is told while
// the chain is open: in the instant of an opening it counts for that one or for the
// next, as the turn takes it in.
func stopTime(ms float64, proven bool) act {
	return act{ofHost + int(interlock.HostStopTime), fmt.Sprint("stop time, proven ", proven), ms, func(f *flight, in []interlock.Input) []interlock.Input {
		if f.w.relay && f.w.beat {
			return in
		}
		return append(in, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostStopTime, On: proven, Seq: uint32(ms)})
	}}
}

// recordsGone has the records no more where they were kept, until they are written anew.
var recordsGone = act{ofHost + int(interlock.HostKept), "records gone", 0, func(f *flight, in []interlock.Input) []interlock.Input {
	f.w.kept = 0
	if f.w.lastTrip > 0 {
		f.w.keepAt = f.w.now + 10*f.w.keep
	}
	return append(in, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostKept})
}}

func simply(what string, do func(w *world)) act {
	return act{-1, what, 0, func(f *flight, in []interlock.Input) []interlock.Input { do(&f.w); return in }}
}

var restarts = act{ofBoot, "the craft restarts", 0, func(f *flight, in []interlock.Input) []interlock.Input {
	if f.w.noCraft {
		return in
	}
	f.w.boot = 0
	return append(in, interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: rules.CraftBootClock, Value: 0, Quality: rules.Good}})
}}

// burst is what chance breaks, or does, at one instant.
func (f *flight) burst() act {
	pick := func(v ...float64) float64 { return v[f.rng.IntN(len(v))] }
	switch f.rng.IntN(26) {
	case 0:
		return lineFlips(interlock.EStopA)
	case 1:
		return lineFlips(interlock.EStopB)
	case 2:
		return act{ofLine(interlock.EStopA), "both contacts flip", 0, func(f *flight, in []interlock.Input) []interlock.Input {
			return f.setLine(interlock.EStopB, !f.w.lines[interlock.EStopB], f.setLine(interlock.EStopA, !f.w.lines[interlock.EStopA], in))
		}}
	case 3, 4:
		return lineFlips(interlock.Gate)
	case 5, 6:
		return lineFlips(interlock.Reset)
	case 7, 8:
		return lineFlips(interlock.Start)
	case 9, 10:
		return lineFlips(interlock.End)
	case 11:
		if f.m.hold {
			return lineFlips(interlock.Hold)
		}
		return lineFlips(interlock.Readback)
	case 12:
		return lineFlips(interlock.Readback)
	case 13:
		return hostSays([]interlock.Host{interlock.HostStalled, interlock.HostClash}[f.rng.IntN(2)], true)
	case 14:
		if f.rng.IntN(8) == 0 {
			return hostSays(interlock.HostBroken, true)
		}
		return hostSays(interlock.HostRelayFailed, f.rng.IntN(3) > 0)
	case 15:
		switch f.rng.IntN(10) {
		case 0:
			return recordsGone
		case 1, 2:
			return stopTime(pick(60, 149, 260), f.rng.IntN(2) > 0)
		}
		return hostSays([]interlock.Host{interlock.HostDisk, interlock.HostProof, interlock.HostCard, interlock.HostLedger}[f.rng.IntN(4)], f.rng.IntN(2) > 0)
	case 16:
		return restarts
	case 17, 18:
		return valueIs(gPull, pick(500, 1500, 1780, 1900, 1900))
	case 19, 20:
		return valueIs(gVolts, pick(50, 40.5, 39, 39))
	case 21:
		return valueIs(gWind, pick(3, 9))
	case 22:
		return [...]act{valueIs(gArmed, pick(0, 1)), valueIs(gLanded, pick(0, 1)), valueIs(gOutput, pick(0, 0.1, 0.2, 0.5)), valueIs(gClimb, pick(0, 0.8, -0.8))}[f.rng.IntN(4)]
	case 23:
		return valueIsMissing([]int{gArmed, gLanded, gHeight, gOutput, gPull, gVolts}[f.rng.IntN(6)])
	case 24:
		return [...]act{simply("craft silent", func(w *world) { w.noCraft = true }), simply("pins silent", func(w *world) { w.noPins = true }),
			simply("welded", func(w *world) { w.welded = true }), simply("heard again", func(w *world) { w.noCraft, w.noPins, w.welded = false, false, false })}[f.rng.IntN(4)]
	}
	if f.rng.IntN(20) == 0 {
		return hostSays(interlock.HostEnd, true)
	}
	return simply("the crew lands it", func(w *world) { w.land() })
}

func (f *flight) ms(from, to int) time.Duration {
	return time.Duration(from+f.rng.IntN(to-from+1)) * time.Millisecond
}

// press holds a button for d.
func (f *flight) press(l interlock.Line, d time.Duration) {
	f.run(f.ms(1, 30), lineIs(l, true))
	f.run(d, lineIs(l, false))
}

// recover puts everything in order and does what a crew does to start again.
func (f *flight) recover(start bool) {
	all := []act{simply("all in order", func(w *world) { w.inOrder() })}
	for _, h := range []interlock.Host{interlock.HostRelayFailed, interlock.HostDisk, interlock.HostProof, interlock.HostCard, interlock.HostLedger} {
		if h != interlock.HostRelayFailed || f.rng.IntN(12) > 0 {
			all = append(all, hostSays(h, false))
		}
	}
	if f.m.unproven {
		all = append(all, stopTime(149, true))
	}
	if f.m.contactsBad {
		f.run(f.ms(1, 30), simply("stop pressed", func(w *world) { w.lines[interlock.EStopA], w.lines[interlock.EStopB] = false, false }))
		f.run(f.ms(1, 60))
	}
	f.run(f.ms(1, 30), all...)
	amiss := f.rng.IntN(6) == 0
	switch {
	case amiss && f.rng.IntN(4) == 0: // a craft that rests at the height that it must be below
		f.run(f.ms(1, 30), valueIs(gHeight, 0.5), valueIs(gClimb, 0), valueIs(gLanded, 1))
	case amiss: // all but one word of the craft
		f.run(f.ms(1, 30), valueIsMissing([]int{gArmed, gArmed, gLanded, gHeight, gOutput}[f.rng.IntN(5)]))
	}
	if f.m.armed || f.m.air || amiss {
		f.run(f.ms(2050, 3300))
	} else {
		f.run(f.ms(320, 700))
	}
	if f.rng.IntN(8) == 0 {
		f.run(f.ms(1, 300), simply("craft silent", func(w *world) { w.noCraft = true }))
	}
	f.run(f.ms(1, 300), lineIs(interlock.Reset, true))
	switch f.rng.IntN(8) {
	case 0: // somebody presses the stop while reset is held
		f.run(f.ms(5, 60), stop(false))
		f.run(f.ms(5, 60), stop(true))
	case 1, 2: // something comes and goes
		f.run(f.ms(5, 60), f.burst())
		f.run(f.ms(5, 150), hostSays(interlock.HostRelayFailed, false), simply("all in order but reset", func(w *world) {
			held := w.lines[interlock.Reset]
			w.inOrder()
			w.lines[interlock.Reset] = held
		}))
	}
	if start && f.rng.IntN(8) == 0 {
		f.run(f.ms(40, 200), lineIs(interlock.Reset, false), lineIs(interlock.Start, true)) // too eager
		f.run(f.ms(1, 200), lineIs(interlock.Start, false))
		return
	}
	f.run(f.ms(40, 200), lineIs(interlock.Reset, false))
	f.run(f.ms(1, 200))
	if start {
		f.press(interlock.Start, f.ms(1, 200))
	}
}

// fly goes up.
func (f *flight) fly() {
	f.run(f.ms(1, 20), valueIs(gArmed, 1), valueIs(gOutput, 0.1))
	f.run(f.ms(20, 300), valueIs(gOutput, 0.5), valueIs(gClimb, 0.8), valueIs(gLanded, 0))
	f.run(f.ms(700, 2000), valueIs(gClimb, 0))
	f.run(f.ms(20, 200))
}

// bases are pads in every state, by the state, reached as a crew reaches them.
func bases(t testing.TB) (all [8][]*flight) {
	t.Helper()
	put := func(f *flight) { all[f.m.state] = append(all[f.m.state], f.copied(f.rng)) }
	for i := range 48 {
		f := freshFlight(t, i%3 == 0)
		f.rng = rand.New(rand.NewPCG(77, uint64(i)))
		f.w.follow, f.w.keep = f.ms(3, 45), []time.Duration{time.Millisecond, 7 * time.Millisecond, 200 * time.Millisecond}[i%3]
		f.run(f.ms(100, 2500))
		put(f)
		f.recover(false)
		f.run(f.ms(2100, 3000))
		put(f)
		f.press(interlock.Start, f.ms(20, 100))
		for _, part := range []time.Duration{400, 900, 1300, 1800, 1990, 2010} {
			if f.m.state == interlock.Closing {
				f.run(max(0, f.m.closing+part*time.Millisecond-f.w.now) + f.ms(0, 40))
			}
			put(f)
		}
		f.run(f.ms(200, 900))
		put(f)
		f.fly()
		put(f)
		put(f)
		switch i % 4 {
		case 0:
			f.run(5*time.Millisecond, valueIs(gVolts, 39))
		case 1:
			f.press(interlock.End, f.ms(20, 60))
		case 2:
			f.run(5*time.Millisecond, lineIs(interlock.Gate, false))
		case 3:
			f.run(5*time.Millisecond, hostSays(interlock.HostRelayFailed, true))
		}
		f.run(f.ms(60, 400))
		put(f)
		if i%8 < 4 {
			f.run(f.ms(1, 100), simply("the crew lands it", func(w *world) { w.land() }))
		} else {
			f.run(f.ms(1, 20), valueIs(gClimb, 0.8))
		}
		f.run(f.ms(1, 900))
		put(f)
		if f.wrong != "" {
			t.Errorf("on the way of a crew: %s\n%s", f.wrong, strings.Join(f.trail[max(0, len(f.trail)-2):], "\n"))
		}
	}
	for s := interlock.Blocked; s <= interlock.Fault; s++ {
		if len(all[s]) == 0 {
			t.Errorf("no way of a crew led to %v", s)
		}
	}
	return all
}

// slow lets one thing after the other happen, each with time to take its course.
func (f *flight) slow() {
	for range 1 + f.rng.IntN(3) {
		f.run(f.ms(1, 900), [...]act{
			valueIs(gVolts, 39), valueIs(gVolts, 50), valueIsMissing(gVolts), valueIsMissing(gHeight), valueIsMissing(gArmed), valueIsMissing(gLanded),
			lineIs(interlock.End, true), lineIs(interlock.End, false), simply("the crew lands it", func(w *world) { w.land() }),
		}[f.rng.IntN(9)])
	}
	f.run(f.ms(1500, 3300))
}

// blind has the lines not read for a while in which something happens, and the mirror
// contact move when they are read again.
func (f *flight) blind() {
	f.run(f.ms(1, 30), f.burst(), simply("pins silent", func(w *world) { w.noPins = true }))
	f.run(f.ms(1, 60), f.burst())
	f.run(f.ms(1, 150), simply("heard again", func(w *world) { w.noPins = false }))
	for range f.rng.IntN(3) {
		f.run(f.ms(1, 60), lineFlips([]interlock.Line{interlock.Readback, interlock.Readback, interlock.Reset, interlock.EStopA, interlock.Gate}[f.rng.IntN(5)]))
	}
}

// held has the host stand still once or twice, with something behind it.
func (f *flight) held() {
	for range 1 + f.rng.IntN(2) {
		f.run(f.ms(1, 60), f.burst())
		f.stall([]time.Duration{f.ms(46, 100), f.ms(100, 220), f.ms(220, 2800)}[f.rng.IntN(3)], f.burst())
	}
}

// sequence is one random sequence: faults bunched within 12 ms, then quiet, and so on.
func (f *flight) sequence() {
	rng := f.rng
	f.run(f.ms(1, 60))
	switch rng.IntN(10) {
	case 0, 1:
		f.slow()
		if rng.IntN(2) == 0 {
			f.recover(true)
		}
		return
	case 2:
		f.blind()
	case 3:
		f.held()
	}
	for n := range 1 + rng.IntN(3) {
		if n > 0 {
			f.run([]time.Duration{f.ms(1, 60), f.ms(60, 300), f.ms(300, 1200)}[rng.IntN(3)])
		}
		if n > 0 && rng.IntN(3) == 0 {
			f.recover(rng.IntN(4) > 0)
			f.run([]time.Duration{f.ms(1, 60), f.ms(60, 300), f.ms(1900, 2200)}[rng.IntN(3)])
		}
		start := f.w.now
		at := f.ms(1, 3)
		for range 1 + rng.IntN(1+rng.IntN(6)) {
			if rng.IntN(2) == 0 {
				at = min(at+f.ms(1, 6), 13*time.Millisecond)
			}
			acts := []act{f.burst()}
			for rng.IntN(2) == 0 {
				acts = append(acts, f.burst())
			}
			if start+at <= f.w.now {
				continue
			}
			f.when(start+at, acts...)
			at += time.Millisecond
		}
	}
	f.run([]time.Duration{f.ms(1, 100), f.ms(100, 700), f.ms(700, 2500)}[rng.IntN(3)])
}

// origins are the states from which the sequences set out in turn: most from those
// that chance seldom comes to and soon leaves.
var origins = [...]interlock.State{
	interlock.Live, interlock.Lowering, interlock.Closing, interlock.Live, interlock.Ready, interlock.Lowering, interlock.Tripped,
	interlock.Live, interlock.Lowering, interlock.Closing, interlock.Live, interlock.Blocked, interlock.Lowering, interlock.Fault,
}

func TestSecondLatch(t *testing.T) {
	all := bases(t)
	if t.Failed() {
		return
	}
	kinds := map[string]int{}
	var visited [interlock.Fault + 1]int
	run := func(i int, told bool) *flight {
		rng := rand.New(rand.NewPCG(*secondSeed, uint64(i)))
		some := all[origins[i%len(origins)]]
		f := some[rng.IntN(len(some))].copied(rng)
		f.visited, f.told = &visited, told
		f.sequence()
		return f
	}
	began := time.Now()
	n := 0
	for ; n < *secondCount && (*secondFor == 0 || time.Since(began) < *secondFor); n++ {
		i := *secondFrom + n
		if f := run(i, false); f.wrong != "" {
			if kinds[f.wrong]++; kinds[f.wrong] <= 2 && len(kinds) <= 20 {
				f = run(i, true)
				t.Errorf("%s, in number %d:\n  %s", f.wrong, i, strings.Join(f.trail[max(0, len(f.trail)-*secondTrail):], "\n  "))
			}
		}
	}
	for s, n := range visited {
		if n == 0 && *secondCount >= 1000 {
			t.Errorf("no sequence came to %v", interlock.State(s))
		}
	}
	t.Logf("%d sequences from number %d, seed %d; instants in each state, blocked to fault: %v", n, *secondFrom, *secondSeed, visited)
	for _, k := range slices.Sorted(maps.Keys(kinds)) {
		t.Errorf("%d times: %s", kinds[k], k)
	}
}
