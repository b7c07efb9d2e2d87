package guard

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/model/craftmodel"
)

// radioRates are those of a 44-minute flight of a real aircraft over a common telemetry
// radio: heartbeat, landed state, motor outputs, height, attitude, packs; nothing of its
// motor controllers.
var radioRates = map[uint32]time.Duration{
	0: time.Second, 245: 1600 * ms, 36: 1600 * ms, 33: 330 * ms, 32: 330 * ms, 30: 330 * ms, 74: 330 * ms,
	1: 1600 * ms, 147: 3200 * ms, 291: 0, 290: 0, 241: 0,
}

// radioPad is the table's pad file with what listen writes from such a radio.
const radioPad = `
[comes_every]
"craft.landed"  = "1.6 s"
"craft.height"  = "330 ms"
"craft.climb"   = "330 ms"
"motor.highest" = "1.6 s"
`

const radioLimits = `version = 1
title = "Limits for a slow radio"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "12 m"
stop = "immediate"
stale_after = "830 ms"
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "40 deg"
stop = "immediate"
while = "airborne"
stale_after = "830 ms"
[[rule]]
name = "no power to spare"
watch = "motor.highest"
above = "95 %"
lasting = "3 s"
stop = "controlled"
grace = "15 s"
stale_after = "4 s"
[[permissive]]
name = "on the ground"
watch = "craft.landed"
is = true
stale_after = "4 s"
`

// onRadio is a craft on the pad that is heard over a slow radio.
func onRadio(t *testing.T, pad string) *flight {
	t.Helper()
	cfg := craftmodel.EightTwo()
	cfg.Turbulence, cfg.Periods = 0, radioRates
	files := testFiles(t, t.TempDir(), "flight.toml")
	files.Pad.Text = append(files.Pad.Text, pad...)
	files.Envelope.Text = []byte(radioLimits)
	return onPad(t, files, cfg)
}

// within lets time pass until it holds.
func (f *flight) within(d time.Duration, what string, holds func() bool) {
	f.t.Helper()
	for end := f.now + d; !holds(); f.run(100 * ms) {
		if s := f.guard.Status(); f.now > end {
			f.t.Fatalf("%v: not %s within %v but %s, armed %v, in the air %v: %q; %q", f.now, what, d, s.State, s.Armed, s.Airborne, s.NotReady, s.DoNow)
		}
	}
}

// hop flies up and down again, and waits until the guard knows the craft disarmed and
// landed.
func (f *flight) hop() {
	f.t.Helper()
	f.order(craftmodel.Event{Act: craftmodel.Arm})
	f.run(2 * time.Second)
	f.order(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 3})
	f.run(10 * time.Second)
	if s := f.guard.Status(); s.State != "live" || !s.Armed || !s.Airborne || f.craft.Truth().Height < 2 {
		f.t.Fatalf("%v: %s, armed %v, in the air %v at %.1f m: %s", f.now, s.State, s.Armed, s.Airborne, f.craft.Truth().Height, s.FirstCause)
	}
	f.order(craftmodel.Event{Act: craftmodel.LandNow})
	f.within(30*time.Second, "disarmed and landed", func() bool { s := f.guard.Status(); return !s.Armed && !s.Airborne })
}

func (f *flight) order(e craftmodel.Event) { must(f.t, f.craft.Do(e)) }

// At the rates of a common radio a craft flies, lands and is known to be disarmed; the
// run ends in order, another one is started, trips, is reset and starts again.
func TestSlowRadioFliesLandsAndStartsAgain(t *testing.T) {
	f := onRadio(t, radioPad)
	f.run(2 * time.Second)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	f.hop()
	f.press("end")
	f.until("blocked")
	if len(f.trips) > 0 {
		t.Fatalf("a flight in order tripped: %+v", f.trips)
	}
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	f.order(craftmodel.Event{Act: craftmodel.Arm})
	f.run(2 * time.Second)
	f.order(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 2})
	f.run(6 * time.Second)
	must(t, f.board.OpenContact("gate"))
	f.until("tripped")
	must(t, f.board.CloseContact("gate"))
	f.press("reset")
	f.run(200 * ms)
	if s := f.guard.Status(); s.State != "tripped" || !slices.ContainsFunc(s.DoNow, func(do string) bool { return strings.Contains(do, "craft.armed: yes") }) {
		t.Fatalf("%s: %q", s.State, s.DoNow)
	}
	f.order(craftmodel.Event{Act: craftmodel.LandNow})
	f.within(30*time.Second, "ready for a reset", func() bool {
		return !slices.ContainsFunc(f.guard.Status().DoNow, func(do string) bool { return strings.HasPrefix(do, "Reset is not taken yet") })
	})
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	f.hop()
	must(t, f.guard.Finish(f.now))
	if len(f.trips) != 1 || f.trips[0].Reason != interlock.ReasonGate {
		t.Errorf("tripped %+v", f.trips)
	}
}

// The same craft on a pad whose file does not know the radio never counts as disarmed;
// status and page say which signs come too seldom, and what to ask the craft for.
func TestSlowRadioIsNamedWhereThePadDoesNotKnowIt(t *testing.T) {
	f := onRadio(t, "")
	f.run(30 * time.Second)
	f.press("reset")
	for range 50 {
		f.run(100 * ms)
		s := f.guard.Status()
		all := strings.Join(s.NotReady, "\n")
		if s.State != "blocked" || !s.Armed {
			t.Fatalf("%v: %s, armed %v", f.now, s.State, s.Armed)
		}
		for _, want := range []string{"craft.height: ", "ask the craft for GLOBAL_POSITION_INT, 7 a second or more", "motor.highest: ", "and it counts for 500 ms: ask the craft for SERVO_OUTPUT_RAW, 4 a second or more"} {
			if !strings.Contains(all, want) {
				t.Fatalf("%v: nothing says %q:\n%s", f.now, want, all)
			}
		}
	}
	must(t, f.guard.Finish(f.now))
}
