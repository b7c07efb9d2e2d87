package guard

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/session"
)

// faultTable is the table that this test writes and holds itself to: a change
// of any time or cause in it is a change of what the guard does.
const faultTable = "testdata/faults.md"

var rewriteTable = flag.Bool("rewrite-table", false, "rewrite "+faultTable+"; only for somebody who can say why it changed")

// fault is one thing that goes wrong while the craft hovers at 2.5 m, live.
type fault struct {
	what string
	must string // what must happen, for people
	make func(f *flight)
	// first is the first cause that must trip; empty: nothing may. within
	// bounds the time from the fault to the relay's opening.
	first  string
	within time.Duration
	state  string // that it must end in; empty: tripped, or live where nothing trips
	stays  bool   // power stays on, and that is said
	// supervised has a line show whether the anemometer's wire is whole.
	supervised bool
	// after is tried once the relay is open.
	after func(f *flight)
}

// does is a fault by the craft model.
func does(e craftmodel.Event) func(*flight) {
	return func(f *flight) { must(f.t, f.craft.Do(e)) }
}

// breaks is a fault by the virtual board.
func breaks(names ...string) func(*flight) {
	return func(f *flight) {
		for _, name := range names {
			must(f.t, f.board.Break(name))
		}
	}
}

// opens opens the contacts of an input.
func opens(name string) func(*flight) {
	return func(f *flight) { must(f.t, f.board.OpenContact(name)) }
}

// elsewhere sends a frame of the craft's name from another address.
func elsewhere(f *flight) {
	f.guard.Telemetry(intake.Chunk{From: netip.MustParseAddrPort("127.0.0.1:50000"), To: guardPort, Bytes: encode(f.t, 1, &common.MessageAttitude{TimeBootMs: 1})})
}

// attitude is an attitude of this very moment with that roll.
func (f *flight) attitude(roll float32) []byte {
	boot := uint32((craftmodel.EightTwo().Uptime+f.now)/ms) + 1
	return encode(f.t, 0, &common.MessageAttitude{TimeBootMs: boot, Roll: roll})
}

// isAttitude reports whether a datagram is one ATTITUDE frame of MAVLink 2.
func isAttitude(b []byte) bool {
	return len(b) > 10 && b[0] == 0xFD && b[7] == 30 && b[8] == 0 && b[9] == 0
}

// resetRefused presses reset and wants nothing to come of it.
func resetRefused(f *flight) {
	state := f.guard.Status().State
	f.press("reset")
	if s := f.guard.Status(); s.State != state {
		f.t.Errorf("a reset led from %s to %s", state, s.State)
	}
}

const turn = 5 * ms // the loop's

var faults = []fault{
	// The link.
	{what: "the link goes silent", must: "attitude is missed after 200 ms: power off; the silence is the cause",
		make: does(craftmodel.Event{Act: craftmodel.TelemetryOff}), first: "nothing heard from the craft", within: 200*ms + 2*turn},
	{what: "the link falls 400 ms behind", must: "power off by the rule on lag, or by what comes too late",
		make: does(craftmodel.Event{Act: craftmodel.TelemetryLag, Value: 0.4}), first: "nothing heard from the craft", within: 200*ms + 2*turn},
	{what: "the link falls 100 ms behind", must: "under its limit: nothing",
		make: does(craftmodel.Event{Act: craftmodel.TelemetryLag, Value: 0.1})},
	{what: "a tenth of all frames is lost", must: "nothing",
		make: does(craftmodel.Event{Act: craftmodel.TelemetryDrop, Value: 0.1})},
	{what: "every frame comes twice", must: "nothing; the second is counted",
		make: func(f *flight) { f.on = func(b []byte) { f.send(b); f.send(b) } }},
	{what: "frames come in a wrong order", must: "nothing; the late ones are counted",
		make: func(f *flight) {
			var held [][]byte
			dice := rand.New(rand.NewPCG(7, 0))
			f.on = func(b []byte) {
				if held = append(held, bytes.Clone(b)); len(held) == 6 {
					dice.Shuffle(len(held), func(i, j int) { held[i], held[j] = held[j], held[i] })
					for _, h := range held {
						f.send(h)
					}
					held = held[:0]
				}
			}
		}},
	{what: "one byte in a thousand is changed", must: "damaged frames are dropped and counted",
		make: func(f *flight) {
			dice := rand.New(rand.NewPCG(8, 0))
			f.on = func(b []byte) {
				b = bytes.Clone(b)
				for i := range b {
					if dice.IntN(1000) == 0 {
						b[i] ^= byte(1 + dice.IntN(255))
					}
				}
				f.send(b)
			}
		}},
	{what: "a second sender under the craft's name", must: "power off at once", make: elsewhere,
		first: "two senders under one identity", within: 2 * turn},
	{what: "yesterday's frames are played in", must: "a boot clock that runs back is a craft that restarted: power off at once",
		make:  func(f *flight) { f.send(encode(f.t, 1, &common.MessageAttitude{TimeBootMs: 5000})) },
		first: "the craft restarted", within: 2 * turn},
	{what: "20,000 frames a second of another sender", must: "nothing; they are counted",
		make: flooded},
	{what: "the same, and the craft tumbles", must: "power off as without", first: "tilt", within: time.Second,
		make: func(f *flight) {
			flooded(f)
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.Tumble}))
		}},
	{what: "the craft tumbles", must: "power off 100 ms after the limit", first: "tilt", within: time.Second,
		make: does(craftmodel.Event{Act: craftmodel.Tumble})},
	{what: "the craft restarts", must: "power off when it is missed, or at its first word",
		make: does(craftmodel.Event{Act: craftmodel.Reboot, For: 3 * time.Second}), first: "nothing heard from the craft", within: 200*ms + 2*turn},

	// What the craft tells.
	{what: "the attitude stays the same, bit for bit", must: "frozen: power off",
		make: does(craftmodel.Event{Act: craftmodel.Freeze}), first: "tilt", within: 1500 * ms},
	{what: "the attitude is not a number", must: "missing: power off after 200 ms",
		make: func(f *flight) {
			f.on = func(b []byte) {
				if isAttitude(b) {
					b = f.attitude(float32(math.NaN()))
				}
				f.send(b)
			}
		}, first: "tilt", within: 200*ms + 3*turn},
	{what: "one attitude of 80 degrees", must: "shorter than its 100 ms: nothing",
		make: func(f *flight) { f.send(f.attitude(1.4)) }},
	{what: "the height jumps by 3 m", must: "a step that no climb explains makes it missing: power off after 300 ms",
		make: does(craftmodel.Event{Act: craftmodel.HeightStep, Value: 3}), first: "ceiling", within: 500 * ms},
	{what: "home moves by 2 m", must: "the height is missing: power off after 300 ms",
		make: does(craftmodel.Event{Act: craftmodel.HomeMove, Value: 2}), first: "ceiling", within: 1500 * ms},
	{what: "the estimator is unhealthy", must: "the height is missing: power off after 300 ms",
		make: does(craftmodel.Event{Act: craftmodel.Estimator}), first: "ceiling", within: 1500 * ms},
	{what: "the estimator falls silent", must: "its last word lasts for five of its own spacings, then the height is missing: power off after 300 ms",
		make: func(f *flight) {
			f.on = func(b []byte) {
				if len(b) > 10 && b[7] != 230 { // ESTIMATOR_STATUS
					f.send(b)
				}
			}
		}, first: "ceiling", within: 5*time.Second + 1500*ms},
	{what: "the height told drifts by 0.3 m/s", must: "not seen as such; it acts when it reaches the limit",
		make: does(craftmodel.Event{Act: craftmodel.HeightDrift, Value: 0.3}), first: "ceiling", within: 20 * time.Second},
	{what: "a cell sags by 0.8 V", must: "brought down; power off when down, or after 6 s", first: "pack floor", within: 15 * time.Second,
		make: does(craftmodel.Event{Act: craftmodel.CellSag, Number: 3, Value: 0.8})},
	{what: "no word of the packs any more", must: "missing: brought down, with half the grace", first: "pack floor", within: 2500*ms + 3*time.Second + 1200*ms,
		make: func(f *flight) {
			f.on = func(b []byte) {
				if len(b) > 10 && b[7] != 147 { // BATTERY_STATUS
					f.send(b)
				}
			}
		}},

	// The pad's own sensors.
	{what: "the load cell cannot be read", must: "power off after 50 ms", make: breaks("load_cell"), first: "tether overload", within: 50*ms + 3*turn},
	{what: "the load cell is at the end of its range", must: "power off after 50 ms", make: breaks("saturate"), first: "tether overload", within: 50*ms + 15*ms + 2*turn},
	{what: "the load cell gives no conversion", must: "power off after 50 ms", make: breaks("load_cell_silent"), first: "tether overload", within: 50*ms + 15*ms + 2*turn},
	{what: "the load cell's converter repeats its last reading", must: "not seen, unless the rule says frozen_after: a slack tether reads alike",
		make: does(craftmodel.Event{Act: craftmodel.CellSticks})},
	{what: "the cups of the anemometer stick in 5 m/s of wind", must: "missing: brought down, power off after 2 s",
		make: func(f *flight) {
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.MeanWind, Value: 5}))
			f.run(5 * time.Second)
			f.mark()
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.CupsStick}))
		},
		first: "gust", within: 3*time.Second + 3*time.Second + 2*time.Second + 500*ms},
	{what: "the wire of the anemometer, not supervised, breaks in 2.7 m/s of wind", must: "a caution after 10 s; missing after 60 s in the air: brought down, power off after 2 s",
		make: func(f *flight) {
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.MeanWind, Value: 2.7}))
			f.run(60 * time.Second)
			f.mark()
			must(f.t, f.board.Break("anemometer"))
		},
		first: "gust", within: 60*time.Second + 3*time.Second + 2*time.Second + time.Second},
	{what: "the wire of the anemometer breaks in 5 m/s of wind", must: "missing: brought down, power off after 2 s",
		make: func(f *flight) {
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.MeanWind, Value: 5}))
			f.run(5 * time.Second)
			f.mark()
			breaks("anemometer")(f)
		},
		first: "gust", within: 3*time.Second + 3*time.Second + 2*time.Second + 500*ms},
	{what: "the supervised wire of the anemometer is cut, or shorted, in a wind too light to turn it", must: "missing: brought down, power off after 2 s",
		supervised: true, make: func(f *flight) {
			must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.MeanWind, Value: 0}))
			f.run(20 * time.Second)
			if s := f.guard.Status(); s.State != "live" {
				f.t.Errorf("a calm makes it %s", s.State)
			}
			f.mark()
			breaks("anemometer")(f)
		},
		first: "gust", within: 3*time.Second + 2*time.Second + 500*ms},
	{what: "a gust of 12 m/s more for 6 s", must: "brought down; power off when down, or after 4 s", first: "gust", within: 12 * time.Second,
		make: does(craftmodel.Event{Act: craftmodel.Gust, Value: 12, For: 6 * time.Second})},

	// Buttons, contacts and their wires.
	{what: "emergency stop", must: "power off at once", make: opens("estop"), first: "emergency stop", within: 2 * turn, after: resetRefused},
	{what: "the wire of one emergency-stop contact breaks", must: "power off at once; a fault after the discrepancy time",
		make: breaks("estop_a"), first: "emergency stop", within: 2 * turn, state: "fault", after: resetRefused},
	{what: "the wire of the gate's contact breaks", must: "power off at once", make: breaks("gate"), first: "gate open", within: 2 * turn, after: resetRefused},
	{what: "a short holds one emergency-stop contact closed, and the emergency stop is pressed", must: "power off at once, by the other; a fault after the discrepancy time",
		make: opens("estop_b"), first: "emergency stop", within: 2 * turn, state: "fault", after: resetRefused},
	{what: "an emergency-stop contact bounces open for 6 ms", must: "power off at once, and it stays off; which contact it was cannot be told",
		make: func(f *flight) { opens("estop")(f); f.run(6 * ms); must(f.t, f.board.CloseContact("estop")) }, first: "emergency stop", within: 2 * turn},
	{what: "the reset button is stuck", must: "nothing", make: func(f *flight) { must(f.t, f.board.Press("reset")) }},
	{what: "the start button is stuck", must: "nothing", make: func(f *flight) { must(f.t, f.board.Press("start")) }},
	{what: "the wire of the end button breaks", must: "nothing: it cannot be told from a button at rest", make: breaks("end")},
	{what: "the wire of the mirror contact breaks", must: "not seen while live: it reads as a contactor that is closed", make: breaks("readback")},
	{what: "the same, and the emergency stop is pressed", must: "power off at once; a fault, since nothing says that it is off",
		make: func(f *flight) { breaks("readback")(f); opens("estop")(f) }, first: "emergency stop", within: 2 * turn, state: "fault", after: resetRefused},
	{what: "the input lines cannot be read", must: "power off after 20 ms", make: breaks("inputs"), first: "the input lines are silent", within: 20*ms + 2*turn},

	// The chain.
	{what: "the wire of the relay pin breaks", must: "the contactor opens; that is seen", make: breaks("relay"), first: "the contactor opened by itself",
		within: virtual.GuidedRelease + 4*turn},
	{what: "the coil burns out, or its supply fails", must: "the contactor opens; that is seen", make: breaks("dead"), first: "the contactor opened by itself",
		within: virtual.GuidedRelease + 4*turn},
	{what: "the coil's supply ramps down: the contactor lets go and picks up, twice, and lets go", must: "power off by the relay at the first time; it does not pick up again",
		make: func(f *flight) {
			for range 2 {
				breaks("dead")(f)
				f.run(60 * ms)
				must(f.t, f.board.Mend("dead"))
				f.run(60 * ms)
			}
			breaks("dead")(f)
		}, first: "the contactor opened by itself", within: virtual.GuidedRelease + 4*turn, after: func(f *flight) {
			must(f.t, f.board.Mend("dead"))
			f.run(time.Second)
			if f.board.PowerOn() {
				f.t.Error("power came back with the supply")
			}
		}},
	{what: "the packs' voltage ramps down by 0.05 V a cell and second", must: "brought down when the lowest cell leaves its limit", first: "pack floor", within: 30 * time.Second,
		make: func(f *flight) {
			next, down := f.now, 0.0
			f.on = func(b []byte) {
				for ; next <= f.now; next += 100 * ms {
					must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.CellSag, Number: 3, Value: down}))
					down += 0.005
				}
				f.send(b)
			}
		}},
	{what: "the wire of the heartbeat pin breaks", must: "the watchdog lets go; that is seen", make: breaks("heartbeat"), first: "the contactor opened by itself",
		within: 150 * ms},
	{what: "the outputs cannot be written", must: "a fault; the heartbeat stops with it, and the watchdog lets go. The pin follows when it can be written again, here after 6 s", make: breaks("outputs"),
		first: "the relay line could not be written", within: 150 * ms, state: "fault", after: func(f *flight) { must(f.t, f.board.Mend("outputs")) }},
	{what: "the contactor is welded, and the emergency stop is pressed", must: "POWER NOT REMOVED, after its drop-out time",
		make: func(f *flight) { breaks("weld")(f); opens("estop")(f) }, first: "emergency stop", within: 2 * turn, state: "fault", stays: true,
		after: func(f *flight) {
			if s := f.guard.Status(); !strings.HasPrefix(s.Sentence, "POWER NOT REMOVED") {
				f.t.Errorf("it says %q", s.Sentence)
			}
			resetRefused(f)
		}},
	{what: "the watchdog is bridged, and the emergency stop is pressed", must: "power off by the relay alone", make: func(f *flight) { breaks("watchdog")(f); opens("estop")(f) },
		first: "emergency stop", within: 2 * turn},
	{what: "the guard relay sticks, and the emergency stop is pressed", must: "power off by the heartbeat's end and the hard-wired contacts",
		make: func(f *flight) { breaks("relay_stuck")(f); opens("estop")(f) }, first: "emergency stop", within: 2 * turn},

	// The guard itself.
	{what: "what reads telemetry and sensors panics", must: "a fault in the very turn: power off; the contactor is watched on, and no reset is taken before a new start of the guard",
		make: func(f *flight) {
			l := &liar{honest: f.guard.loop.cfg.Intake, lie: func([]interlock.Input, intake.Chunk) []interlock.Input { panic("seeded") }}
			f.guard.loop.cfg.Intake = intake.Around(f.guard.pad.Intake().Lines, l)
			f.guard.loop.cfg.Intake.WhenBroken(f.guard.loop.panicked)
		}, first: "a part of the guard's program failed", within: 2 * turn, state: "fault", after: func(f *flight) {
			resetRefused(f)
			text, err := os.ReadFile(filepath.Join(f.guard.Folder(), "trips.jsonl"))
			must(f.t, err)
			if !contains(string(text), "panicked: seeded") || !contains(string(text), "matrix_test.go") {
				f.t.Error("the trip log holds neither the panic's text nor its place")
			}
		}},
	{what: "the guard's process stands still for a second", must: "the watchdog lets go meanwhile; tripped when it goes on",
		make: func(f *flight) { f.now += time.Second }, first: "", within: time.Second + 2*turn, state: "tripped"},
}

// flooded has another sender put 20,000 frames a second on the link beside the
// craft's.
func flooded(f *flight) {
	b := bytes.Repeat(encodeAs(f.t, 42, 1, 9, &common.MessageAttitude{TimeBootMs: 77, Roll: 3}), 20)
	next := f.now
	f.on = func(craft []byte) {
		for ; next <= f.now; next += time.Second / (20_000 / 20) {
			f.guard.Telemetry(intake.Chunk{From: netip.MustParseAddrPort("127.0.0.1:50001"), To: guardPort, Bytes: b})
		}
		f.send(craft)
	}
}

// mark forgets what came before the fault.
func (f *flight) mark() { f.from = f.now }

// hoverAt brings a guard and a craft to a hover at 2.5 m.
func hoverAt(t *testing.T, supervised bool) *flight {
	t.Helper()
	craft := craftmodel.EightTwo()
	craft.Turbulence = 0
	files := testFiles(t, t.TempDir(), "matrix.toml")
	if supervised {
		files.Pad.Text = append(files.Pad.Text, "\n[board.lines]\n"...)
		for _, name := range slices.DeleteFunc(pad.LineNames(), func(name string) bool { return name == "hold" }) {
			files.Pad.Text = fmt.Appendf(files.Pad.Text, "%s = \"virtual\"\n", name)
		}
	}
	f := takeOff(t, craft, files)
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(3 * time.Second)
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 2.5}))
	f.run(9 * time.Second)
	if s := f.guard.Status(); s.State != "live" || !s.Airborne || f.craft.Truth().Height < 2 {
		t.Fatalf("no hover: %s, %.1f m, %v", s.State, f.craft.Truth().Height, s.FirstCause)
	}
	return f
}

// offAt is when a line of the chain went off since the fault, seen at the line.
func (f *flight) offAt(line string) (at time.Duration, ok bool) {
	trace, _ := f.board.Trace()
	i := slices.IndexFunc(trace, func(e virtual.OutputEdge) bool { return e.Line == line && !e.On && e.At >= f.from })
	if i < 0 {
		return 0, false
	}
	return trace[i].At, true
}

// after is a time of the table.
func (f *flight) after(at time.Duration, ok bool) string {
	if !ok {
		return "stays on"
	}
	return (at - f.from).Round(ms).String()
}

// try brings a fault into a hover and gives its row of the table.
func (c *fault) try(t *testing.T) string {
	f := hoverAt(t, c.supervised)
	f.mark()
	c.make(f)
	for end := f.now + max(c.within, 4*time.Second) + 2*time.Second; f.now < end; {
		f.run(50 * ms)
	}
	trips := slices.DeleteFunc(slices.Clone(f.trips), func(e interlock.Effect) bool { return e.At < f.from })
	state, want := f.guard.Status().State, c.state
	if want == "" {
		want = map[bool]string{true: "live", false: "tripped"}[c.first == ""]
	}
	if state != want {
		t.Errorf("it ends %s, want %s", state, want)
	}
	row := fmt.Sprintf("| %s | %s | ", c.what, c.must)
	if want == "live" {
		for _, e := range trips {
			t.Errorf("it tripped: %s %v", f.name(e), e.Cause)
		}
		must(t, f.guard.Finish(f.now))
		return row + "none | | | live |"
	}
	if len(trips) == 0 {
		t.Fatal("nothing tripped")
	}
	cause := f.name(trips[0])
	if c.first != "" && cause != c.first {
		t.Errorf("first cause %s, want %s", cause, c.first)
	}
	relay, ok := f.offAt("relay")
	if !ok && cause != "the relay line could not be written" || relay-f.from > c.within {
		t.Errorf("the relay's pin went off %v after the fault (%v), want within %v", relay-f.from, ok, c.within)
	}
	power, ok := f.offAt("contactor")
	if stays := c.stays; ok == stays || !stays && power-f.from > c.within+100*ms {
		t.Errorf("power at the rotors went off %v after the fault (%v)", power-f.from, ok)
	}
	if c.after != nil {
		c.after(f)
	}
	must(t, f.guard.Finish(f.now))
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	if e, err := s.Ending(); err != nil || e.How == session.Clean {
		t.Errorf("the session counts as %q, %v: the next must come up latched", e.How, err)
	}
	if why := trips[0]; why.Rule >= 0 {
		cause += ": " + why.Reason.String()
		if why.HasValue == false {
			cause += " (" + why.Cause.String() + ")"
		}
	}
	return row + fmt.Sprintf("%s | %s | %s | %s |", cause, f.after(f.offAt("relay")), f.after(f.offAt("contactor")), state)
}

func TestEveryFaultOfTheTable(t *testing.T) {
	rows := make([]string, len(faults))
	t.Run("in the hover", func(t *testing.T) {
		for i := range faults {
			t.Run(faults[i].what, func(t *testing.T) {
				t.Parallel()
				rows[i] = faults[i].try(t)
			})
		}
	})
	table := faultHead + strings.Join(rows, "\n") + "\n" + heldHead + strings.Join(heldRows(t), "\n") + "\n"
	if *rewriteTable {
		must(t, os.WriteFile(filepath.FromSlash(faultTable), []byte(table), 0o644))
		return
	}
	kept, err := os.ReadFile(filepath.FromSlash(faultTable))
	must(t, err)
	if string(kept) == table || t.Failed() {
		return
	}
	was, is := strings.Split(string(kept), "\n"), strings.Split(table, "\n")
	for i := range min(len(was), len(is)) {
		if was[i] != is[i] {
			t.Errorf("the table says\n%s\nand the guard does\n%s", was[i], is[i])
		}
	}
	if len(was) != len(is) {
		t.Errorf("the table has %d lines, and the guard gives %d", len(was), len(is))
	}
}
