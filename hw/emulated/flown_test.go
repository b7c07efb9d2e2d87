package emulated

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

var flown = flag.Bool("flown", false, "fly whole trials against the emulated board; some minutes")

const flownRules = `
[[rule]]
name    = "ceiling"
watch   = "craft.height"
above   = "6 m"
stop    = "immediate"
stale_after = "5 s"
`

const flownHeight = `[height]
source           = "global"
error_height     = "0.3 m"
error_climb      = "0.2 m/s"
reaction         = "300 ms"
thrust_to_weight = 1.8
`

// flownStanding is how long the modelled rotors take to stand, s: from full speed, 48 a second,
// to one a second they run down in four of their time constants of 0.35 s.
const flownStanding = 1.5

// flight is a modelled craft that is flown in front of the pins: its rotors obey the
// contactor behind them, and its wind and rope reach the guard over them.
type flight struct {
	*rig
	orders chan craftmodel.Event

	mu    sync.Mutex
	truth []known
}

// known is what was true of the craft at a time of the records outside.
type known struct {
	at    time.Duration
	state craftmodel.State
	wind  float64 // m/s at the anemometer
}

// flies lets a craft fly until the test ends; sensors passes on what the pad measures
// of it, each turn.
func (r *rig) flies(sensors func(*craftmodel.Craft)) *flight {
	r.t.Helper()
	f := &flight{rig: r, orders: make(chan craftmodel.Event, 16)}
	cfg := craftmodel.EightTwo()
	cfg.Wind, cfg.Turbulence = 3, 0.3
	r.speaks(cfg, func(c *craftmodel.Craft) {
		sensors(c)
		f.mu.Lock()
		f.truth = append(f.truth, known{r.out.Now(), c.Truth(), c.Wind()})
		f.mu.Unlock()
		select {
		case e := <-f.orders:
			if err := c.Do(e); err != nil {
				r.t.Error(err)
			}
		default:
		}
	})
	return f
}

func (f *flight) order(act craftmodel.Act, value float64) {
	f.orders <- craftmodel.Event{Act: act, Value: value, For: 8 * time.Second}
}

func (f *flight) now() craftmodel.State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.truth[len(f.truth)-1].state
}

// between is what was true from one time to another.
func (f *flight) between(from, to time.Duration) []known {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []known
	for _, k := range f.truth {
		if k.at >= from && k.at <= to {
			out = append(out, k)
		}
	}
	return out
}

// hovers works pad and craft until it hovers at 2.5 m under the guard.
func (f *flight) hovers() {
	f.t.Helper()
	for try := 0; ; try++ {
		f.order(craftmodel.ClearFaults, 0)
		f.order(craftmodel.Disarm, 0)
		f.within(patience, "down", func() bool { return f.now().OnGround })
		f.makeLive()
		f.order(craftmodel.Arm, 0)
		time.Sleep(time.Second)
		f.order(craftmodel.ClimbTo, 2.5)
		up := false
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end) && f.out.PowerOn() && !up; time.Sleep(20 * time.Millisecond) {
			s := f.now()
			up = math.Abs(s.Height-2.5) < 0.3 && math.Abs(s.Climb) < 0.2
		}
		if time.Sleep(2 * time.Second); up && f.out.PowerOn() {
			return
		}
		if try == 8 {
			f.t.Fatalf("no hover: %+v", f.now())
		}
		f.t.Logf("no hover yet: power %v, %.1f m", f.out.PowerOn(), f.now().Height)
	}
}

// ends hovers, does something, and wants the power off with these words of the guard.
// A busy computer can hold the loop up first; then it is flown once more. It gives the
// time of the relay's edge.
func (f *flight) ends(why string, do, undo func()) (off time.Duration) {
	f.t.Helper()
	for try := 0; ; try++ {
		f.hovers()
		_, from := f.m.Lines(0)
		began := f.out.Now()
		do()
		f.within(patience, "the relay low", func() bool { return !f.out.RelayOn() })
		line, _, err := f.m.Wait(from, why, atOnce)
		edges := switched(f.out.History(began), "relay")
		undo()
		if err == nil && len(edges) > 0 {
			f.t.Logf("%s; relay low %v after it began", strings.TrimSpace(line.Text), (edges[0].At - began).Round(time.Millisecond))
			return edges[0].At
		}
		if try == 8 {
			f.t.Fatalf("not %s: %v", why, err)
		}
	}
}

// A craft is flown against the shipped daemon on a stock kernel's pins: what it measures
// and what it does about it is held against what was true of the model. The chip has
// eight lines, so there are two line-ups; what each lacks its pad file names as absent.
//
//	go test ./hw/emulated -run TestFlown -v -flown -timeout 30m
func TestFlownWithWind(t *testing.T) {
	r := bootFlown(t, Config{}, layout{
		name: windPad, lines: eighth("anemometer"), standing: flownStanding,
		sensor: flownHeight + "[wind]\nslope = \"0.62 m\"\noffset = \"0.27 m/s\"\n",
		rule:   flownRules + "\n[[rule]]\nname = \"gust\"\nwatch = \"wind.gust3s\"\nabove = \"8 m/s\"\nstop = \"controlled\"\ngrace = \"30 s\"\nstale_after = \"10 s\"\n",
	})
	closed, cup := false, eighth("anemometer")["anemometer"]
	f := r.flies(func(c *craftmodel.Craft) { // each pulse closes the contact for a turn
		if came := len(c.Pulses(nil)) > 0; came != closed {
			closed = came
			if err := r.m.Set(cup, closed); err != nil {
				t.Error(err)
			}
		}
	})
	folder := f.guard(windPad, true)
	// A gust: the crew brings it down, and the power goes off behind the landing.
	for try := 0; ; try++ {
		f.hovers()
		_, from := f.m.Lines(0)
		f.order(craftmodel.Gust, 9)
		_, _, err := f.m.Wait(from, "LOWERING", 20*time.Second)
		if err == nil {
			f.order(craftmodel.LandNow, 0)
			f.within(patience, "the relay low", func() bool { return !f.out.RelayOn() })
			if _, _, err = f.m.Wait(from, "held up", time.Second); err != nil {
				break // nothing else opened it
			}
		}
		if try == 8 {
			t.Fatal("no controlled stop")
		}
	}
	off := f.out.Now()
	for _, k := range f.between(off-2*time.Second, off) {
		if k.state.Height > 0.3 {
			t.Errorf("power went off %.2f m up, %v before the relay was seen low", k.state.Height, off-k.at)
			break
		}
	}
	runaway(f)
	stopButton(f)
	welded(f)
	f.end()
	f.heldAgainstTruth(folder, "gust", "ceiling", "emergency stop", remains)
}

func TestFlownWithLoadCell(t *testing.T) {
	part := &nauPart{}
	part.load(cellZero)
	var l leads
	bus := &twoWire{part: part, data: dataPin, clock: clockPin, set: l.set}
	pad := cellPad(ownPad, "nau7802 on i2c-0", 10, stale)
	pad.rule, pad.sensor, pad.standing = pad.rule+flownRules, flownHeight+pad.sensor, flownStanding
	r := bootFlown(t, Config{
		Tree: cellTree, Processors: 3, Modules: []string{"i2c-algo-bit", "i2c-gpio", "i2c-dev"}, Kernel: apart,
		Changed: func(_ time.Time, pin int, high bool) { bus.changed(pin, high) },
	}, pad)
	l.Store(r.m)
	f := r.flies(func(c *craftmodel.Craft) { r.hang(&part.converter, c.Tension()) })
	folder := f.guardsApart(ownPad)
	// The tether is snagged at 3 m: climbing on pulls it taut.
	f.ends("tether overload past its limit", func() {
		f.order(craftmodel.TetherIs, 3)
		f.order(craftmodel.ClimbTo, 5)
	}, func() { f.order(craftmodel.TetherIs, 9) })
	runaway(f)
	stopButton(f)
	welded(f)
	f.end()
	f.heldAgainstTruth(folder, "tether overload", "ceiling", "emergency stop", remains)
}

func bootFlown(t *testing.T, cfg Config, pad layout) *rig {
	if !*flown {
		t.Skip("flies for some minutes; only with -flown")
	}
	r := bootAlone(t, cfg, pad)
	r.every = time.Second
	return r
}

// runaway: the autopilot goes to full thrust; the height's limit takes the power.
func runaway(f *flight) {
	f.t.Helper()
	off := f.ends("ceiling past its limit", func() { f.order(craftmodel.Runaway, 0.9) }, func() {})
	top := 0.0
	for _, k := range f.between(off, off+3*time.Second) {
		top = max(top, k.state.Height)
		if k.at > off+time.Second && k.state.Powered {
			f.t.Errorf("the rotors have power %v after the relay went low", k.at-off)
			break
		}
	}
	f.t.Logf("runaway: at most %.1f m up, %.1f m where the relay went low", top, f.between(off-50*time.Millisecond, off+50*time.Millisecond)[0].state.Height)
}

func stopButton(f *flight) {
	f.t.Helper()
	contacts := func(closed bool) {
		f.contact("estop_a", closed)
		f.contact("estop_b", closed)
	}
	f.ends("TRIPPED: emergency stop", func() { contacts(false) }, func() { contacts(true) })
}

// welded: the contactor does not open, and the crew is told first of all.
func welded(f *flight) {
	f.t.Helper()
	f.hovers()
	_, from := f.m.Lines(0)
	f.out.Fault(virtual.Weld, true)
	f.contact("estop_a", false)
	f.contact("estop_b", false)
	if _, _, err := f.m.Wait(from, "FAULT: POWER NOT REMOVED", patience); err != nil {
		f.t.Error(err)
	}
	if !f.now().Powered {
		f.t.Error("the welded contactor opened")
	}
	f.order(craftmodel.LandNow, 0) // the crew lands it, and mends
	f.within(patience, "down", func() bool { return f.now().OnGround })
	f.order(craftmodel.Disarm, 0)
	f.out.Fault(virtual.Weld, false)
	f.contact("estop_a", true)
	f.contact("estop_b", true)
}

// busy are the trips of a busy computer.
var busy = []string{"the guard's loop was held up", "the input lines are silent", "nothing heard from the craft"}

const remains = "POWER NOT REMOVED: use the hard-wired stop"

// heldAgainstTruth pulls the session out: its log verifies, it replays here to the same
// decisions, and each trip by a limit fits what was true. Besides trips named want and
// those of a busy computer none is allowed.
func (f *flight) heldAgainstTruth(folder string, want ...string) {
	f.t.Helper()
	lines, _ := f.m.Lines(0)
	s, err := session.Open(f.pull(folder))
	must(f.t, err)
	parts, err := s.TripParts()
	must(f.t, err)
	report, err := triplog.WalkFiles(parts, nil)
	must(f.t, err)
	if report.Verdict != triplog.Whole {
		f.t.Errorf("the trip log: %+v", report)
	}
	result, err := bench.ReplaySession(s)
	must(f.t, err)
	if eq := result.Equal; !eq.Claimed || !eq.Holds {
		f.t.Errorf("%s\nlive   %s\nreplay %s", eq.Says(), eq.Log, eq.Here)
	}
	seen := map[string]int{}
	var clocks []time.Duration // between the log's times and those outside, by each trip
	for i := range result.Trips {
		trip := &result.Trips[i]
		reason := trip.Effect().Reason
		name := trip.Rule
		if trip.Channel == "" {
			name = reason.String()
		}
		seen[name]++
		at := slices.IndexFunc(lines, func(l Line) bool { return strings.Contains(l.Text, fmt.Sprintf("TRIP %d (", trip.Number)) })
		if at < 0 {
			f.t.Errorf("trip %d was not told on the console", trip.Number)
			continue
		}
		told := lines[at].At.Sub(f.out.began) // a moment after it was decided
		for _, e := range switched(f.out.History(told-5*time.Second), "relay") {
			if !e.On && e.At < told+time.Second && trip.Stop == "immediate" && trip.FirstOut && slices.Contains(want, name) {
				clocks = append(clocks, e.At-time.Duration(trip.AtS*float64(time.Second)))
				break
			}
		}
		if reason != interlock.ReasonRule {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, k := range f.between(told-4*time.Second, told) {
			v := map[string]float64{"craft.height": k.state.Height, "tether.tension": k.state.Tension, "wind.gust3s": k.wind}[trip.Channel]
			low, high = min(low, v), max(high, v)
		}
		// What a height of the craft's own, a load cell's noise and a count of pulses may be off.
		slack := map[string]float64{"craft.height": 0.5, "tether.tension": 15, "wind.gust3s": 0.5}[trip.Channel]
		f.t.Logf("%s at %.1f s: the guard had %.2f %s; true in the seconds before: %.2f to %.2f", name, trip.AtS, *trip.Value, trip.Unit, low, high)
		if *trip.Value < low-slack || *trip.Value > high+slack {
			f.t.Errorf("%s: %.2f %s is not what was true, %.2f to %.2f", name, *trip.Value, trip.Unit, low, high)
		}
	}
	// The log's times are those of the pins, but for what a busy computer adds.
	if len(clocks) < 2 || slices.Max(clocks)-slices.Min(clocks) > 2*time.Second {
		f.t.Errorf("between the log's times and those of the relay's pin are %v", clocks)
	}
	f.t.Logf("trips: %v; replayed to the same decisions", seen)
	for _, w := range want {
		if seen[w] == 0 {
			f.t.Errorf("no trip by %q in the session", w)
		}
	}
	for name := range seen {
		if !slices.Contains(append(want, busy...), name) {
			f.t.Errorf("a trip that nothing called for: %s", name)
		}
	}
}
