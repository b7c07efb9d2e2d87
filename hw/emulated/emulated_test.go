package emulated

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/hw/virtual"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// switched is what one line did, in order.
func switched(h []virtual.OutputEdge, line string) (out []virtual.OutputEdge) {
	for _, e := range h {
		if e.Line == line {
			out = append(out, e)
		}
	}
	return out
}

// The whole of the shipped daemon on a stock kernel's GPIO chip, seen from the
// pins. One boot for all of it.
func TestEmulatedBoard(t *testing.T) {
	if testing.Short() {
		t.Skip("boots a computer; left out with -short")
	}
	r := boot(t, Config{}, layouts...)
	t.Logf("booted in %v", r.m.Booted)
	run := func(name string, do func(*rig)) {
		if !t.Failed() {
			t.Run(name, func(t *testing.T) {
				here := *r
				here.t = t
				_, here.from = r.m.Lines(0)
				do(&here)
			})
		}
	}
	// Whatever the chip comes up with, no pin of the chain moves by itself.
	if h := r.out.History(0); len(h) != 0 {
		t.Fatalf("pins moved before anybody asked: %v", h)
	}
	run("Pins", pinsAlone)
	run("Horn", hornScenarios)
	run("Wind", windScenarios)
}

// windScenarios are those on the pad with gate and anemometer.
func windScenarios(r *rig) {
	r.guard(windPad, true)
	for _, hz := range []float64{1, 10, 50} {
		r.out.Turn(hz)
		want := 0.27 + 0.62*hz // the pad file's own line
		s := r.until(fmt.Sprintf("%.2f m/s at %v Hz", want, hz), func(s told.Status) bool {
			got, ok := speed(s)
			return ok && math.Abs(got-want) < 0.1*want
		})
		got, _ := speed(s)
		r.t.Logf("%v Hz read as %.2f m/s, by the certificate %.2f", hz, got, want)
	}
	r.out.Turn(5)
	r.contact("gate", true)
	r.press("reset", tap)
	r.ready()
	r.says("READY: ")
	r.contact("gate", false)
	r.says("BLOCKED: ")
	r.contact("gate", true)
	r.until("asking for a reset after the gate was open", needsReset)
	r.press("start", tap)
	r.quiet("CLOSING", 500*time.Millisecond)
	r.makeLive()

	from := r.out.Now()
	r.contact("gate", false)
	r.opensWithin(from, "TRIPPED: gate open")
	r.press("reset", tap)
	r.until("tripped after a reset with the gate open", inState("tripped"))
	r.contact("gate", true)
	r.staysOpen(500 * time.Millisecond)
	r.makeLive()

	from = r.out.Now()
	r.out.Turn(50)
	r.opensWithin(from, "gust past its limit")
	r.out.Turn(5)
	r.makeLive()
	killed(r)
	r.out.Turn(0)
	r.end()
}

// hornScenarios are those on the pad whose eighth line is the buzzer.
func hornScenarios(r *rig) {
	from := r.out.Now()
	folder := r.guard(hornPad, true)
	powerUp(r, from)
	start(r)
	mirrorOpens(r)
	stops(r)
	silence(r)
	paused(r)
	weldHolds(r)
	r.end()
	trial(r, folder)
	r.guard(hornPad, false)
	r.heldBack()
	r.end()
}

// weldHolds comes last of the horn's: the contactor does not open, and from then on no start is taken until
// the crew has mended and tested the chain.
func weldHolds(r *rig) {
	r.out.Fault(virtual.Weld, true)
	from := r.out.Now()
	r.contact("estop_a", false)
	r.contact("estop_b", false)
	r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
	r.says("FAULT: POWER NOT REMOVED")
	r.until("told first of all", func(s told.Status) bool {
		return s.State == "fault" && strings.HasPrefix(s.Sentence, "POWER NOT REMOVED")
	})
	r.contact("estop_a", true)
	r.contact("estop_b", true)
	r.press("reset", tap)
	r.until("in fault after a reset over a welded contactor", inState("fault"))
	if len(switched(r.out.History(from), "relay")) != 1 {
		r.t.Errorf("the relay moved again: %v", r.out.History(from))
	}

	// The contactor lets go after all: a reset leads out of the fault, to no start.
	r.out.Fault(virtual.Weld, false)
	r.heldBack("downhaul defect close 1")
	// What was mended is on record, and nobody has tested the chain again.
	r.do(`downhaul defect close 1 "new contactor" AB --socket /run/guard.sock`)
	r.heldBack()
}

// heldBack gives a reset and a start, and wants the guard to refuse the start with the
// chain open, because power was once not removed and nobody tested the chain since, and
// because of more.
func (r *rig) heldBack(more ...string) {
	r.t.Helper()
	want := append([]string{"power was not removed", "downhaul commission --only chain --only rotors"}, more...)
	r.until("held back by "+strings.Join(want, ", "), func(s told.Status) bool {
		if s.State != "blocked" || needsReset(s) {
			r.press("reset", tap)
			time.Sleep(300 * time.Millisecond)
			return false
		}
		why := strings.Join(s.NotReady, "; ")
		for _, w := range want {
			if !strings.Contains(why, w) {
				return false
			}
		}
		return true
	})
	r.press("start", tap)
	r.staysOpen(2 * time.Second)
	r.until("blocked after a start", inState("blocked"))
}

// speed is the wind that the guard reads.
func speed(s told.Status) (float64, bool) {
	for _, c := range s.Channels {
		if c.Channel == "wind.speed" && c.Value != nil {
			return *c.Value, true
		}
	}
	return 0, false
}

// powerUp: nothing moves while the daemon opens the board, and it waits for a
// reset.
func powerUp(r *rig, from time.Duration) {
	if h := r.out.History(from); len(h) != 0 {
		r.t.Fatalf("pins moved while the board was opened: %v", h)
	}
	var s told.Status // by the crew's own tool, in the guest
	must(r.t, json.Unmarshal([]byte(r.do("downhaul status --json --socket "+r.socket)), &s))
	if s.State != "blocked" || s.RelayOn || !needsReset(s) {
		r.t.Errorf("it comes up %s, relay %v, %v", s.State, s.RelayOn, s.NotReady)
	}
	if n := len(r.out.Beats(from)); n != 0 {
		r.t.Errorf("%d heartbeat edges while blocked", n)
	}
}

func needsReset(s told.Status) bool {
	return strings.Contains(strings.Join(s.NotReady, ";"), "reset needed")
}

// start: reset and start by the book, and not otherwise.
func start(r *rig) {
	// A reset that is held down too long is none (released after 3 s).
	r.press("reset", 3500*time.Millisecond)
	if s := r.status(); !needsReset(s) {
		r.t.Errorf("a reset held for 3.5 s was taken: %v", s.NotReady)
	}
	// A start that is held through the reset, and through becoming ready,
	// starts nothing.
	r.contact("start", true)
	r.contact("reset", true)
	time.Sleep(tap)
	if s := r.status(); !needsReset(s) {
		r.t.Errorf("the reset was taken before it was let go")
	}
	r.contact("reset", false)
	r.ready()
	r.quiet("CLOSING", 1500*time.Millisecond)
	r.contact("start", false)
	time.Sleep(200 * time.Millisecond)

	// A busy computer can hold the loop up until it trips: then once more.
	from := r.makeLive()
	r.says("CLOSING: start")
	r.says("LIVE: chain closed and read back")
	r.within(atOnce, "power at the rotors", r.out.PowerOn)
	h := r.out.History(from)
	// The horn comes before any power; the test closes the relay once without
	// the heartbeat, gives the heartbeat once without the relay, and neither
	// closes the contactor.
	horn, relay, power := switched(h, "buzzer"), switched(h, "relay"), switched(h, "contactor")
	if len(horn) == 0 || !horn[0].On || len(relay) != 3 || !relay[0].On || relay[1].On || !relay[2].On || len(power) == 0 ||
		power[len(power)-1].At-power[0].At > virtual.SignalBounce { // it bounces as it closes
		r.t.Fatalf("want horn, relay on, off, on and the contactor once: %v", h)
	}
	if horn[0].At > relay[0].At || relay[2].At-horn[0].At < 2*time.Second || power[0].At < relay[2].At {
		r.t.Errorf("out of order: horn %v, relay %v, contactor %v", horn[0].At, relay, power[0].At)
	}
	alone := 0
	for _, at := range r.out.Beats(from) {
		switch {
		case at > relay[0].At && at < relay[1].At:
			r.t.Errorf("a heartbeat edge at %v while the relay is tested alone", at)
		case at > relay[1].At && at < relay[2].At-500*time.Millisecond:
			alone++
		}
	}
	if alone < 4 {
		r.t.Errorf("the heartbeat alone gave %d edges; the watchdog would not have held", alone)
	}
	r.until("live with its relay on", func(s told.Status) bool { return s.State == "live" && s.RelayOn && s.Closed })
}

// opensWithin wants relay and rotors off after something was done just now, and
// the daemon to say why.
func (r *rig) opensWithin(from time.Duration, why string) {
	r.t.Helper()
	r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
	r.within(atOnce, "the rotors without power", func() bool { return !r.out.PowerOn() })
	r.says(why)
	for _, e := range switched(r.out.History(from), "relay") {
		r.t.Logf("%s: the relay's pin went low %v after", why, (e.At - from).Round(100*time.Microsecond))
		break
	}
	at := r.out.Now()
	time.Sleep(2 * guestGap)
	if n := len(r.out.Beats(at)); n > 0 {
		r.t.Errorf("%s: %d heartbeat edges after the opening", why, n)
	}
}

// mirrorOpens: the contactor lets go by itself.
func mirrorOpens(r *rig) {
	from := r.out.Now()
	r.out.Fault(virtual.RelayWire, true)
	r.opensWithin(from, "the contactor opened by itself")
	r.out.Fault(virtual.RelayWire, false)
	r.staysOpen(time.Second)
	r.makeLive()
}

// stops: both contacts of the emergency stop, then one alone.
func stops(r *rig) {
	from := r.out.Now()
	r.contact("estop_a", false)
	r.contact("estop_b", false)
	r.opensWithin(from, "TRIPPED: emergency stop")
	// A reset while it is pressed is none.
	r.press("reset", tap)
	r.until("tripped after a reset with the stop pressed", inState("tripped"))
	// Freed with start held down: nothing closes.
	r.contact("start", true)
	r.contact("estop_a", true)
	r.contact("estop_b", true)
	r.staysOpen(time.Second)
	r.contact("start", false)
	r.makeLive()

	from = r.out.Now()
	r.contact("estop_a", false)
	r.within(atOnce, "the relay low by one contact", func() bool { return !r.out.RelayOn() })
	r.says("FAULT: emergency stop, one contact only")
	r.t.Logf("one contact alone: the relay's pin went low %v after", (switched(r.out.History(from), "relay")[0].At - from).Round(100*time.Microsecond))
	r.press("reset", tap)
	r.until("in fault after a reset with one contact open", inState("fault"))
	r.contact("estop_a", true)
	r.staysOpen(500 * time.Millisecond)
	// The other contact was never seen to open: until it was, no reset counts.
	r.press("reset", tap)
	r.until("in fault after a reset before both contacts opened", inState("fault"))
	r.contact("estop_a", false)
	r.contact("estop_b", false)
	r.staysOpen(100 * time.Millisecond)
	r.contact("estop_a", true)
	r.contact("estop_b", true)
	r.staysOpen(500 * time.Millisecond)
	r.makeLive()
}

// silence: the telemetry stops, and one sample that leaves a limit.
func silence(r *rig) {
	from := r.out.Now()
	r.line.set(true, false)
	r.opensWithin(from, "nothing heard from the craft")
	r.line.set(false, false)
	r.staysOpen(500 * time.Millisecond)
	r.makeLive()

	from = r.out.Now()
	r.line.set(false, true)
	r.opensWithin(from, "tilt past its limit")
	sent := r.line.firstTilted()
	r.line.set(false, false)
	low := switched(r.out.History(from), "relay")[0].At
	r.t.Logf("the relay's pin went low %v after the datagram", (low - sent.Sub(r.out.began)).Round(100*time.Microsecond))
	r.makeLive()
}

// paused: the process stands still for a second and goes on.
func paused(r *rig) {
	from := r.out.Now()
	r.do("kill -STOP $GUARD")
	r.within(atOnce, "the watchdog letting go", func() bool { return !r.out.PowerOn() })
	if beats := r.out.Beats(from); len(beats) > 1 {
		r.t.Errorf("%d heartbeat edges from a process that stands still", len(beats))
	}
	time.Sleep(time.Second)
	r.do("kill -CONT $GUARD")
	r.says("the guard's loop was held up")
	r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
	r.staysOpen(2 * time.Second)
	if power := switched(r.out.History(from), "contactor"); len(power) != 1 {
		r.t.Errorf("the contactor moved again: %v", power)
	}
	r.makeLive()
}

// trial pulls a whole session out of the board: its log verifies, and replays
// here, on another architecture, to the same decisions byte for byte.
func trial(r *rig, folder string) {
	s, err := session.Open(r.pull(folder))
	must(r.t, err)
	parts, err := s.TripParts()
	must(r.t, err)
	report, err := triplog.WalkFiles(parts, nil)
	must(r.t, err)
	if report.Verdict != triplog.Whole {
		r.t.Errorf("the trip log: %+v", report)
	}
	result, err := bench.ReplaySession(s)
	must(r.t, err)
	if eq := result.Equal; !eq.Claimed || !eq.Holds {
		r.t.Errorf("%s\nlive   %s\nreplay %s", eq.Says(), eq.Log, eq.Here)
	} else {
		r.t.Log(eq.Says())
	}
	for _, want := range []string{"the contactor opened by itself", "emergency stop", "nothing heard from the craft", "the guard's loop was held up"} {
		found := false
		for i := range result.Trips {
			found = found || result.Trips[i].Effect().Reason.String() == want
		}
		if !found {
			r.t.Errorf("no trip %q in the session", want)
		}
	}
}

// killed: the process is gone without a word. The relay's pin is then the chip's
// own affair; the heartbeat stops, and that opens the chain.
func killed(r *rig) {
	from := r.out.Now()
	r.do("kill -KILL $GUARD; wait $GUARD; true")
	r.within(atOnce, "the watchdog letting go", func() bool { return !r.out.PowerOn() })
	r.t.Logf("killed: power off %v after, relay's pin high: %v", (switched(r.out.History(from), "contactor")[0].At - from).Round(time.Millisecond), r.out.RelayOn())
	time.Sleep(time.Second)
	if len(r.out.Beats(from)) > 1 || r.out.PowerOn() {
		r.t.Errorf("%d heartbeat edges, power %v after the process died", len(r.out.Beats(from)), r.out.PowerOn())
	}
	// Nothing goes on by itself.
	r.guard(windPad, false)
	r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
	if s := r.until("told how the last session ended", func(s told.Status) bool { return s.At > 0.5 }); s.State != "tripped" {
		r.t.Errorf("after a kill it comes up %s", s.State)
	}
	r.staysOpen(time.Second)
}

// pinsAlone: what the daemon never does, through the same package.
func pinsAlone(r *rig) {
	for _, c := range []struct{ name, spacing string }{
		{"a level that stands", "0s"}, {"mains hum", "10ms"}, {"a runaway", "2ms"}, {"half the rate", "150ms"},
	} {
		from := r.out.Now()
		r.do("pinwork beat " + c.spacing + " 1s")
		r.within(atOnce, "the relay low again", func() bool { return len(switched(r.out.History(from), "relay")) == 2 })
		h := r.out.History(from)
		if relay := switched(h, "relay"); !relay[0].On || relay[1].On {
			r.t.Errorf("%s: the relay did not close and open: %v", c.name, h)
		}
		if len(switched(h, "contactor")) != 0 {
			r.t.Errorf("%s holds the contactor: %v", c.name, h)
		}
	}
	from := r.out.Now()
	r.do("pinwork beat 25ms 1s")
	if len(switched(r.out.History(from), "contactor")) == 0 {
		r.t.Errorf("a good heartbeat does not close it: %v", r.out.History(from))
	}
	// A line has one holder, and the one refused is told who.
	out := r.do("pinwork hold 2s & sleep 0.7; pinwork hold 1s; wait")
	if !strings.Contains(out, `relay on gpiochip0:0: the line is held by "pinwork"`) {
		r.t.Errorf("a line taken twice: %q", out)
	}
	// The edges of an anemometer in a storm: none that was not there. Those that
	// fall into one hold-up of the emulated processor are one to its chip, and no
	// kernel can number them: how many come through is the busy computer's.
	r.out.Turn(50)
	n := number(r.t, r.do("pinwork edges 2s"))
	r.out.Turn(0)
	r.t.Logf("50 Hz for 2 s: %v", n)
	if n["edges"] < 50 || n["edges"] > 204 || n["hz"] > 51 {
		r.t.Errorf("50 Hz: %v", n)
	}
	// A reader that is held up: what does not fit into the kernel's room is told
	// as lost, by number, and the room is as large as it was asked to be.
	r.out.Turn(500)
	r.do("pinwork edges 6s >/tmp/edges & P=$!; sleep 1; kill -STOP $P; sleep 3; kill -CONT $P; sleep 0.5")
	r.out.Turn(0)
	n = number(r.t, r.do("wait $P; cat /tmp/edges"))
	r.t.Logf("500 Hz, held up for 3 s: %v", n)
	if n["lost"] < 100 || n["edges"] < hw.EdgeRoom || n["edges"]+n["lost"] > 4700 {
		r.t.Errorf("500 Hz, held up for 3 s: %v", n)
	}
}
