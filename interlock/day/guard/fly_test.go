package guard

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// flight is one scenario flown under a stepped guard: the craft's telemetry
// and the pad's sensors reach it as they would on the day, and the craft has
// power only while the contactor gives it.
type flight struct {
	t        *testing.T
	guard    *Guard
	board    *virtual.Board
	craft    *craftmodel.Craft
	now      time.Duration
	stage    time.Duration
	hz, n    float64
	state    interlock.State // as the guard last told it
	trips    []interlock.Effect
	cautions int
	cut      time.Duration // when the relay last went off
	top      float64       // m, the highest that the craft truly was
	from     time.Duration // when a fault came
	said     uint8         // number of the last text; see speak
	// on, where it is set, is what the link does with a datagram of the craft.
	on func(b []byte)
}

func fly(t *testing.T, name string) *flight {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "scenarios", name+".txt"))
	must(t, err)
	scenario, err := craftmodel.ParseScenario(name, string(text))
	must(t, err)
	f := takeOff(t, scenario.Configure(craftmodel.EightTwo()), testFiles(t, t.TempDir(), "flight.toml"))
	from := f.now
	for _, e := range scenario.Events {
		for f.now < from+e.At {
			f.run(min(100*ms, from+e.At-f.now))
			if f.over() {
				must(t, f.guard.Finish(f.now))
				return f
			}
		}
		must(t, f.craft.Do(e))
	}
	must(t, f.guard.Finish(f.now))
	return f
}

// takeOff brings a guard to live with a craft on the pad.
func takeOff(t *testing.T, cfg craftmodel.Config, files Files) *flight {
	t.Helper()
	f := onPad(t, files, cfg)
	f.run(2 * time.Second)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	return f
}

// onPad is a craft on the pad of a stepped guard, before anything was pressed.
func onPad(t *testing.T, files Files, cfg craftmodel.Config) *flight {
	t.Helper()
	f := &flight{t: t, hz: math.NaN(), n: math.NaN()}
	cfg.Events, cfg.Unpowered = nil, true // they begin once the guard is live
	var err error
	f.craft, err = craftmodel.New(cfg)
	must(t, err)
	f.guard, err = Open(files, Options{
		Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return f.now }, Watch: f.watch,
	})
	must(t, err)
	f.board = f.guard.Board().(*virtual.Board)
	return f
}

// over reports whether the power has been off for three seconds: the rest of the
// scenario can change nothing.
func (f *flight) over() bool {
	return len(f.trips) > 0 && f.cut > f.trips[0].At-1 && f.now-f.cut > 3*time.Second
}

func (f *flight) watch(_ *rules.Envelope, e interlock.Effect) {
	switch {
	case e.Kind == interlock.StateEffect:
		f.state = e.State
	case e.Kind == interlock.TripEffect:
		f.trips = append(f.trips, e)
	case e.Kind == interlock.CautionEffect && e.On:
		f.cautions++
	case e.Kind == interlock.RelayEffect && !e.On:
		f.cut = e.At
	}
}

// until lets time pass until the guard is in that state.
func (f *flight) until(state string) {
	f.t.Helper()
	for end := f.now + 20*time.Second; f.state.String() != state; f.run(100 * ms) {
		if f.now > end {
			s := f.guard.Status()
			f.t.Fatalf("not %s but %s: %v", state, s.State, s.NotReady)
		}
	}
}

func (f *flight) press(name string) {
	must(f.t, f.board.Press(name))
	f.run(300 * ms)
	must(f.t, f.board.Release(name))
	f.run(100 * ms)
}

func (f *flight) run(d time.Duration) {
	wake := f.now
	for end := f.now + d; f.now < end; {
		f.now = min(max(wake, f.now), max(f.stage, f.now), end)
		if f.now >= f.stage {
			f.stage = f.now + 5*ms
			f.around()
		}
		if wake = f.guard.Turn(f.now); wake <= f.now {
			wake = f.now + time.Microsecond
		}
	}
}

// around brings craft, wind and load to now.
func (f *flight) around() {
	f.craft.SetPower(f.board.PowerOn())
	f.craft.Advance(f.now)
	f.top = max(f.top, f.craft.Truth().Height)
	for _, d := range f.craft.Frames(nil) {
		if f.on != nil {
			f.on(d.Bytes)
			continue
		}
		f.send(d.Bytes)
	}
	if hz := f.craft.PulseHz(); !(math.Abs(hz-f.hz) < 0.05) {
		f.hz = hz
		if hz < 0.001 {
			hz = 0 // a pulse in a quarter of an hour: the cups stand still
		}
		must(f.t, f.board.Turn(hz))
	}
	if n := f.craft.Tension(); !(math.Abs(n-f.n) < 1) {
		f.n = n
		must(f.t, f.board.Load(n))
	}
	for _, c := range f.board.TakeCounts(f.now) {
		f.guard.Count(c)
	}
}

// send puts a datagram on the link, from the craft's address.
func (f *flight) send(b []byte) {
	f.guard.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: b})
}

// name is the rule of a trip, or the reason of a built-in one.
func (f *flight) name(e interlock.Effect) string {
	if e.Rule < 0 {
		return e.Reason.String()
	}
	return f.guard.env.Rules[e.Rule].Name
}

// listed reports whether a built-in reason is among the trips.
func (f *flight) listed(reason interlock.Reason) bool {
	return slices.ContainsFunc(f.trips, func(e interlock.Effect) bool { return e.Reason == reason })
}

// Every scenario trips first what it must, the quiet ones nothing; the power
// is off when the guard says so, and a replay of the session decides the same,
// byte for byte.
func TestPromise08_ScenariosTripWhatTheyMustAndReplayEqually(t *testing.T) {
	for _, row := range []struct {
		scenario string
		first    string // rule or built-in; empty: nothing trips
		reason   interlock.Reason
		also     interlock.Reason // listed behind it
	}{
		{"quiet-hover", "", 0, 0},
		{"ballast-step", "", 0, 0},
		{"gust", "gust", interlock.ReasonRule, 0},
		{"runaway", "ceiling", interlock.ReasonRule, 0},
		{"tumble", "tilt", interlock.ReasonRule, 0},
		// What is missed first of a silent link is the attitude, by its own
		// staleness of 200 ms; the silence is the cause.
		{"link-lost", "nothing heard from the craft", interlock.ReasonLink, 0},
		{"reboot", "nothing heard from the craft", interlock.ReasonLink, interlock.ReasonRestart},
		{"pack-floor", "pack floor", interlock.ReasonRule, 0},
		{"motor-out", "motor 3 stands", interlock.ReasonRule, 0},
		// The height told runs away slowly, which no step shows. The craft sinks
		// and stands on the ground while it tells of height, so that a rotor at
		// rest in what counts as the air is what is seen first.
		{"height-drift", "motor 3 stands", interlock.ReasonRule, 0},
		{"heavy-step", "no power to spare", interlock.ReasonRule, 0},
		// The predicted top of the coast is past the ceiling before the rope
		// is tight; its jerk comes all the same.
		{"snatch", "ceiling", interlock.ReasonRule, 0},
	} {
		t.Run(row.scenario, func(t *testing.T) {
			t.Parallel()
			f := fly(t, row.scenario)
			s, err := session.Open(f.guard.Folder())
			must(t, err)
			defer func() {
				for _, e := range f.trips {
					t.Logf("%v %s: %v %v %v", e.At, f.name(e), e.Reason, e.Value, e.Cause)
				}
			}()
			if row.first == "" {
				f.wantQuiet(s)
			} else {
				f.wantTrip(row.first, row.reason, row.also)
			}
			if f.board.PowerOn() {
				t.Error("power at the rotors after the end")
			}
			parts, err := s.TripParts()
			must(t, err)
			report, err := triplog.WalkFiles(parts, nil)
			must(t, err)
			if report.Verdict != triplog.Whole {
				t.Errorf("the trip log is %s: %s", report.Verdict, report.Reason)
			}
			result, err := bench.ReplaySession(s)
			must(t, err)
			if eq := result.Equal; !eq.Claimed || !eq.Holds || eq.Decisions < 20 || eq.Decisions != eq.Replayed {
				t.Errorf("%s\nlive   %s\nreplay %s", eq.Says(), eq.Log, eq.Here)
			}
		})
	}
}

// wantQuiet wants a flight in which nothing tripped and which ended in order.
func (f *flight) wantQuiet(s *session.Session) {
	f.t.Helper()
	if len(f.trips) != 0 {
		f.t.Errorf("a quiet flight tripped %s", f.name(f.trips[0]))
	}
	e, err := s.Ending()
	must(f.t, err)
	if e.How != session.Clean {
		f.t.Errorf("the session counts as %q", e.How)
	}
	if top := f.top; top < 2 {
		f.t.Errorf("it only rose to %.1f m: no flight", top)
	}
}

// wantTrip wants the first cause, and the power off the rotors when it said.
func (f *flight) wantTrip(first string, reason, also interlock.Reason) {
	f.t.Helper()
	if len(f.trips) == 0 {
		f.t.Fatal("nothing tripped")
	}
	cause := f.trips[0]
	if f.name(cause) != first || cause.Reason != reason || !cause.FirstOut {
		f.t.Errorf("first cause %s: %v (first-out %v), want %s: %v", f.name(cause), cause.Reason, cause.FirstOut, first, reason)
	}
	if also != 0 && !f.listed(also) {
		f.t.Errorf("%v is not listed", also)
	}
	switch {
	case cause.Stop == rules.Immediate && f.cut != cause.At:
		f.t.Errorf("tripped at %v, relay off at %v: not in the same step", cause.At, f.cut)
	case f.cut < cause.At:
		f.t.Errorf("a controlled stop at %v, but relay off at %v", cause.At, f.cut)
	}
	trace, _ := f.board.Trace()
	off := time.Duration(-1)
	for _, e := range trace {
		if e.Line == "contactor" && !e.On && e.At >= f.cut {
			off = e.At
			break
		}
	}
	// A turn late at most, then the contactor's own time.
	if off < 0 || off > f.cut+5*ms+virtual.DefaultDropOut {
		f.t.Errorf("relay off at %v, contactor open at %v", f.cut, off)
	}
	if is := f.craft.Truth(); is.Powered || is.HighestRPM > 30 {
		f.t.Errorf("three seconds after the cut: powered %v, %.0f rpm", is.Powered, is.HighestRPM)
	}
}
