package guard

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// liar stands in for all that reads links and sensors. Until it lies it says what
// the real one does.
type liar struct {
	honest *intake.Intake
	lie    func(dst []interlock.Input, c intake.Chunk) []interlock.Input // nil: it does not lie yet
	counts bool                                                          // asking for its counts panics too
}

func (l *liar) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if l.lie != nil {
		return l.lie(dst, *c)
	}
	return l.honest.Append(dst, c)
}

func (l *liar) CountsTo(dst *intake.Counts) {
	if l.counts {
		panic("no counts")
	}
	l.honest.CountsTo(dst)
}

// lying is a rig whose links and sensors are read by a liar, and whose hold-to-run is
// held.
func lying(t *testing.T) (*rig, *liar) {
	r := newRig(t, func(s *interlock.Site) { s.Fitted[interlock.Hold] = true })
	must(t, r.board.Press("hold"))
	lines := r.pad.Intake().Lines
	lines[interlock.Hold].Fitted = true
	l := &liar{honest: r.loop.cfg.Intake}
	r.loop.cfg.Intake = intake.Around(lines, l)
	r.loop.cfg.Intake.WhenBroken(r.loop.panicked)
	return r, l
}

func sampled(ch rules.ChannelID, q rules.Quality, v float64) interlock.Input {
	return interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: ch, Quality: q, Value: v}}
}

// allWell reports every channel as well inside, with a last digit that moves,
// and that the craft is heard.
func allWell(dst []interlock.Input, at time.Duration) []interlock.Input {
	dst = append(dst, interlock.Input{Kind: interlock.FrameInput})
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		v := max(id.Channel().Low, 0)
		if id == rules.Tilt || id == rules.Roll || id == rules.Pitch {
			v += float64(at%(100*ms)) / 1e12
		}
		dst = append(dst, sampled(id, rules.Good, v))
	}
	return append(dst, sampled(rules.CraftLanded, rules.Good, 1), sampled(rules.Pack1LowestCell, rules.Good, 4.1))
}

type explodes struct{}

func (explodes) Error() string { panic("its text panics as well") }

// lies are what a broken reader of links and sensors may say of every chunk. heard
// says that it claims to hear the craft, breaks that it panics.
var lies = []struct {
	what          string
	heard, breaks bool
	presses       bool // it presses the crew's buttons, in rounds of 12 s
	make          func(r *rig) func(dst []interlock.Input, c intake.Chunk) []interlock.Input
}{
	{what: "nothing", make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func(dst []interlock.Input, _ intake.Chunk) []interlock.Input { return dst }
	}},
	{what: "no slice at all", make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func([]interlock.Input, intake.Chunk) []interlock.Input { return nil }
	}},
	{what: "all is well", heard: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func(dst []interlock.Input, c intake.Chunk) []interlock.Input { return allWell(dst, c.At) }
	}},
	{what: "values out of every range", make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func(dst []interlock.Input, _ intake.Chunk) []interlock.Input {
			for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, math.Copysign(0, -1)} {
				for id := range rules.ChannelCount + 3 {
					for _, q := range []rules.Quality{rules.Missing, rules.Doubtful, rules.Good, 3, 255} {
						dst = append(dst, interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Quality: q, Cause: rules.Cause(len(dst)), Value: v}})
					}
				}
				dst = append(dst, sampled(math.MaxUint16, rules.Good, v))
			}
			return dst
		}
	}},
	{what: "what only the crew and the host say", heard: true, presses: true, make: func(r *rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		// All is well, all records are kept, every contact is as it should be, and
		// reset and start are pressed and released in turn, as a crew does.
		return func(dst []interlock.Input, c intake.Chunk) []interlock.Input {
			dst = allWell(dst, c.At)
			for h := interlock.Host(0); h < 64; h++ {
				if h == interlock.HostEnd || h == interlock.HostStalled || h == interlock.HostHeldUp || h == interlock.HostClash || h == interlock.HostRelayFailed {
					continue // these open: they would hide what the others do
				}
				dst = append(dst, interlock.Input{Kind: interlock.HostInput, Host: h, Seq: 1 << 20})
			}
			dst = append(dst, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostStopTime, On: true, Seq: 1})
			round := c.At % (12 * time.Second)
			for l := range interlock.LineCount {
				on := l < interlock.Reset
				switch l {
				case interlock.Reset:
					on = round > time.Second && round < 1300*ms
				case interlock.Start:
					on = round > 2*time.Second && round < 2300*ms
				case interlock.Readback:
					var v interlock.View
					r.eng.View(&v)
					on = v.State == interlock.Live || v.State == interlock.Closing && v.At-v.Since > 3*time.Second
				}
				dst = append(dst, interlock.Input{Kind: interlock.LineInput, Line: l, On: on})
			}
			return dst
		}
	}},
	{what: "anything", heard: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		dice := rand.New(rand.NewPCG(6, 14))
		var past []interlock.Input
		return func(dst []interlock.Input, _ intake.Chunk) []interlock.Input {
			for range dice.IntN(40) {
				in := interlock.Input{Kind: interlock.InputKind(dice.IntN(7)), Line: interlock.Line(dice.IntN(11)), Host: interlock.Host(dice.IntN(40)),
					On: dice.IntN(2) == 0, Seq: dice.Uint32() >> dice.IntN(33), Sample: interlock.Sample{Channel: rules.ChannelID(dice.IntN(int(rules.ChannelCount) + 2)),
						Quality: rules.Quality(dice.IntN(5)), Cause: rules.Cause(dice.IntN(256)), Value: math.Float64frombits(dice.Uint64())}}
				if dice.IntN(2) == 0 && len(past) > 0 {
					in = past[dice.IntN(len(past))] // said before
				}
				if past = append(past, in); len(past) > 500 {
					past = past[250:]
				}
				dst = append(dst, in)
			}
			return dst
		}
	}},
	{what: "100,000 inputs for every chunk", heard: true, make: func(r *rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		floods := 0
		return func(dst []interlock.Input, c intake.Chunk) []interlock.Input {
			if floods++; floods > 20 {
				return allWell(dst, c.At) // a test has no day to spend
			}
			for len(dst) < 100_000 {
				dst = append(dst, interlock.Input{Kind: interlock.FrameInput}, sampled(rules.Tilt, rules.Good, float64(len(dst)%2)))
			}
			r.now += 4 * ms // what they take
			return dst
		}
	}},
	{what: "a panic", breaks: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func([]interlock.Input, intake.Chunk) []interlock.Input { panic("seeded here") }
	}},
	{what: "a panic behind what a reset and a start need", breaks: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func(dst []interlock.Input, c intake.Chunk) []interlock.Input {
			dst = append(allWell(dst, c.At), interlock.Input{Kind: interlock.LineInput, Line: interlock.Start, On: true})
			return dst[:len(dst)+1<<30]
		}
	}},
	{what: "a panic whose text panics", breaks: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func([]interlock.Input, intake.Chunk) []interlock.Input { panic(error(explodes{})) }
	}},
	{what: "a panic of nothing", breaks: true, make: func(*rig) func([]interlock.Input, intake.Chunk) []interlock.Input {
		return func([]interlock.Input, intake.Chunk) []interlock.Input { panic(nil) }
	}},
}

// demands are what must take the power off whatever links and sensors are read as,
// with the longest that the relay's pin may stay on.
var demands = []struct {
	what   string
	make   func(r *rig)
	within time.Duration
	undo   func(r *rig)
}{
	{"emergency stop", func(r *rig) { must(r.t, r.board.OpenContact("estop")) }, 2 * turn, func(r *rig) { must(r.t, r.board.CloseContact("estop")) }},
	{"gate", func(r *rig) { must(r.t, r.board.OpenContact("gate")) }, 2 * turn, func(r *rig) { must(r.t, r.board.CloseContact("gate")) }},
	{"hold-to-run", func(r *rig) { must(r.t, r.board.Release("hold")) }, 2 * turn, func(r *rig) { must(r.t, r.board.Press("hold")) }},
	{"input lines that cannot be read", func(r *rig) { r.board.levels = func() (uint32, error) { return 0, errors.New("no lines") } }, 20*ms + 2*turn, func(r *rig) { r.board.levels = nil }},
	{"a stall", func(r *rig) { r.now += 80 * ms }, 80*ms + turn, func(*rig) {}},
	{"a contactor that opens by itself", func(r *rig) { must(r.t, r.board.Break("dead")) }, 100 * ms, func(r *rig) { must(r.t, r.board.Mend("dead")) }},
	{"a welded contactor, and emergency stop", func(r *rig) { must(r.t, r.board.Break("weld"), r.board.OpenContact("estop")) }, 2 * turn, func(r *rig) { must(r.t, r.board.CloseContact("estop")) }},
}

// Ring 2, which reads links and sensors, may be wrong in any way: emergency stop, gate,
// lines, stall and verified opening hold in their times, a trip stands on record, and
// nothing closes again or for the first time without the crew.
//
//fault:row what reads telemetry and sensors lies in any way, or panics, and the emergency stop, the gate, the input lines, the loop or the contactor ask for an opening | power off in the usual times; nothing closes again by itself
func TestPromise01_WhateverIsSaidOfLinksAndSensors(t *testing.T) {
	for _, lie := range lies {
		for _, d := range demands {
			t.Run(lie.what+"/"+d.what, func(t *testing.T) {
				t.Parallel()
				r, l := lying(t)
				r.live()
				must(t, r.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
				r.run(3 * time.Second)
				r.want(interlock.Live)
				r.forget()
				l.lie = lie.make(r)
				l.counts = lie.breaks
				open := len(r.trips()) > 0
				from := r.now
				d.make(r)
				for wait := r.now + d.within; r.now < wait && !slices.Contains(r.did, "relay off"); {
					r.run(ms)
				}
				if took := r.now - from; !slices.Contains(r.did, "relay off") || took > d.within+5*ms && !open {
					t.Fatalf("the relay's pin is not off %v after it: %v", took, r.state())
				}
				if len(r.trips()) == 0 {
					t.Errorf("no trip stands on record")
				}
				r.wantOpen()
				at := len(r.did)
				r.run(100 * ms)
				welded := strings.HasPrefix(d.what, "a welded")
				if r.board.PowerOn() != welded {
					t.Errorf("power is %v at the rotors", r.board.PowerOn())
				}
				r.run(300 * ms)
				if welded && (r.state() != interlock.Fault || !slices.Contains(r.trips(), interlock.ReasonPowerRemains) && !slices.Contains(r.trips(), interlock.ReasonReadbackClosed)) {
					t.Errorf("a welded contactor is not told: %v, %v", r.state(), r.trips())
				}
				d.undo(r)
				if testing.Short() && !lie.presses {
					r.run(3 * time.Second)
				} else {
					r.run(13 * time.Second) // a whole round of the buttons
				}
				if slices.Contains(r.did[at:], "relay on") || slices.Contains(r.did[at:], "heartbeat on") {
					t.Error("it closed again by itself")
				}
				r.wantOpen()
			})
		}
	}
}

// A craft that is not heard trips in its time, whatever else is said of it.
func TestPromise03_NoSampleStandsForACraftThatIsHeard(t *testing.T) {
	for _, lie := range lies {
		if lie.heard || lie.breaks {
			continue
		}
		r, l := lying(t)
		r.live()
		r.forget()
		l.lie = lie.make(r)
		r.run(r.pad.Site().LinkStale + 2*turn)
		r.wantOpen()
		if r.board.PowerOn() {
			t.Errorf("%s: power is on at the rotors", lie.what)
		}
	}
}

// Nothing starts without the crew: not from power-up, and not by start alone.
func TestPromise05_NoLieStartsAnything(t *testing.T) {
	for _, lie := range lies {
		t.Run(lie.what, func(t *testing.T) {
			t.Parallel()
			r, l := lying(t)
			l.lie = lie.make(r)
			r.run(20 * time.Second)
			r.press("start")
			r.run(5 * time.Second)
			if slices.Contains(r.did, "relay on") || slices.Contains(r.did, "heartbeat on") {
				t.Errorf("it closed: %v", r.state())
			}
		})
	}
}

// A flood on a lane does not keep the loop from its lines: a turn that has lasted too
// long takes no more, whatever waits.
func TestPromise01_AFloodKeepsNobodyFromTheLines(t *testing.T) {
	r, l := lying(t)
	r.live()
	r.forget()
	for i := range lies {
		if strings.HasPrefix(lies[i].what, "100,000") {
			l.lie = lies[i].make(r)
		}
	}
	for range perLane {
		r.say([]byte{0xFD})
	}
	must(t, r.board.OpenContact("estop"))
	from := r.now
	wake := r.loop.Turn(r.now) // reads the lines first
	must(t, r.board.CloseContact("estop"))
	if took := r.now - from; took > 2*pinTurn+4*ms || wake > r.now {
		t.Errorf("a turn lasted %v, and the next comes %v later", took, wake-r.now)
	}
}

// What panics reads nothing any more: power off in the very turn, a fault with the
// panic's text and place on record, and no reset before the guard was started anew.
//
//fault:row what reads telemetry and sensors panics | a fault, in the very turn; the panic's text and place stand in the trip log; no reset in this session; lines and contactor are watched on
func TestPromise01_APanicOfWhatReadsIsAFault(t *testing.T) {
	for _, lie := range lies {
		if !lie.breaks {
			continue
		}
		r, l := lying(t)
		r.live()
		r.forget()
		l.lie = lie.make(r)
		l.counts = true
		r.say([]byte{0xFD})
		from := r.now
		r.loop.Turn(r.now)
		if r.now != from || !slices.Contains(r.did, "relay off") || r.state() != interlock.Fault {
			t.Fatalf("%s: %v, %v", lie.what, r.state(), r.did)
		}
		if trips := r.trips(); len(trips) != 1 || trips[0] != interlock.ReasonBroken {
			t.Errorf("%s: %v on record", lie.what, trips)
		}
		told := ""
		for _, c := range r.chunks {
			if m, ok := intake.DecodeHost(c.Bytes); ok && c.Source == intake.HostEvent && m.Host == interlock.HostBroken {
				told += m.Text
			}
		}
		if !strings.Contains(told, "adversary_test.go") || lie.what == "a panic" && !strings.Contains(told, "seeded here") {
			t.Errorf("%s: on record stands %q", lie.what, told)
		}
		l.lie = nil // as if it were well again
		r.run(15 * time.Second)
		r.press("reset")
		r.want(interlock.Fault)
	}
}

// The recording of a panic replays to the same decisions, whether what reads it panics
// again or was mended.
func TestPromise08_APanicReplaysEqually(t *testing.T) {
	for _, mended := range []bool{false, true} {
		r, l := lying(t)
		r.live()
		l.lie = func([]interlock.Input, intake.Chunk) []interlock.Input { panic("seeded here") }
		r.run(20 * ms)
		l.lie = nil
		r.run(2 * time.Second)
		broke := slices.IndexFunc(r.chunks, func(c intake.Chunk) bool {
			m, ok := intake.DecodeHost(c.Bytes)
			return ok && c.Source == intake.HostEvent && m.Host == interlock.HostBroken
		})
		if broke < 1 {
			t.Fatal("no panic on record")
		}
		again, l2 := lying(t)
		in, eng := again.loop.cfg.Intake, again.eng
		var got []interlock.Effect
		for i, c := range r.chunks {
			l2.lie = nil
			if i == broke-1 && !mended {
				l2.lie = func([]interlock.Input, intake.Chunk) []interlock.Input { panic("again") }
			}
			inputs := in.Append(nil, &c)
			if len(inputs) == 0 {
				got = append(got, eng.Advance(c.At)...)
			}
			for _, x := range inputs {
				got = append(got, eng.Step(c.At, &x)...)
			}
		}
		want := r.decisions
		got = got[:min(len(got), len(want))]
		if fmt.Sprint(got) != fmt.Sprint(want[:len(got)]) || len(want)-len(got) > 8 {
			t.Errorf("mended %v: %d decisions, live %d", mended, len(got), len(want))
		}
	}
}
