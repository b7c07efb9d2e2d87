package interlock_test

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
)

// TestSecondLatchFound holds what the two did not agree on: most of it was the engine's.
func TestSecondLatchFound(t *testing.T) {
	toReady := func(f *flight) {
		f.run(2500 * time.Millisecond)
		f.press(interlock.Reset, 100*time.Millisecond)
		f.run(100 * time.Millisecond)
	}
	toAir := func(f *flight) {
		toReady(f)
		f.press(interlock.Start, 60*time.Millisecond)
		f.run(2100 * time.Millisecond)
		f.fly()
	}
	for _, c := range []struct {
		what   string
		do     func(f *flight)
		state  interlock.State
		record interlock.Reason // the first cause on record
	}{
		{"a reset that was pressed before a fault takes none back", func(f *flight) {
			f.run(2500*time.Millisecond, lineIs(interlock.Reset, true))
			f.run(10*time.Millisecond, lineIs(interlock.Readback, true))
			f.run(10*time.Millisecond, lineIs(interlock.Readback, false))
			f.run(70*time.Millisecond, lineIs(interlock.Reset, false))
		}, interlock.Fault, interlock.ReasonReadbackClosed},
		{"a craft that arms while the relay closes goes back to blocked", func(f *flight) {
			toReady(f)
			f.w.welded = true
			f.press(interlock.Start, 60*time.Millisecond)
			f.when(f.m.closing+tHorn+5*time.Millisecond, valueIs(gArmed, 1))
		}, interlock.Blocked, interlock.NoReason},
		{"power that goes off in the air at the end of the crew's own end is on record", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(tEndGrace)
		}, interlock.Tripped, interlock.ReasonGraceOver},
		{"so is a height that is lost after it", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(10*time.Millisecond, valueIsMissing(gHeight))
			f.run(310 * time.Millisecond)
		}, interlock.Tripped, interlock.ReasonHeightLost},
		{"so is the end of the guard over a craft in the air", func(f *flight) {
			toAir(f)
			f.run(10*time.Millisecond, hostSays(interlock.HostEnd, true))
		}, interlock.Tripped, interlock.ReasonSessionEnd},
		{"a second sender asks for a reset, if the craft restarts in the same instant, too", func(f *flight) {
			toReady(f)
			f.run(10*time.Millisecond, restarts, hostSays(interlock.HostClash, true))
			f.run(2 * tHealthy)
		}, interlock.Blocked, interlock.NoReason},
		{"no reset is taken while the craft is not heard", func(f *flight) {
			toReady(f)
			f.run(10*time.Millisecond, stop(false))
			f.run(100*time.Millisecond, stop(true))
			f.run(100*time.Millisecond, simply("craft silent", func(w *world) { w.noCraft = true }))
			f.run(tLink + tTick)
			f.press(interlock.Reset, 100*time.Millisecond)
		}, interlock.Tripped, interlock.ReasonEStop},
		{"a mirror contact that is read open behind a silence has dropped out", func(f *flight) {
			toAir(f)
			f.run(10*time.Millisecond, restarts, simply("pins silent", func(w *world) { w.noPins = true }))
			f.run(200*time.Millisecond, simply("heard again", func(w *world) { w.noPins = false }))
			f.run(tTick + 5*time.Millisecond)
			f.run(2*time.Millisecond, lineIs(interlock.Readback, true))
		}, interlock.Fault, interlock.ReasonRestart},
		{"a mirror contact that closes as the lines are back has had its drop-out time", func(f *flight) {
			toAir(f)
			read := f.w.tick
			f.when(read+time.Millisecond, simply("pins silent", func(w *world) { w.noPins = true }))
			f.when(read+tPins+f.w.follow-time.Millisecond, simply("heard again", func(w *world) { w.noPins = false }))
			f.when(f.w.follows) // the mirror is the first line that is read again
			f.when(f.w.tick, lineIs(interlock.Readback, true))
			f.when(read + tPins + tDropOut + time.Millisecond)
		}, interlock.Fault, interlock.ReasonPinsSilent},
		{"a mirror contact that is read open as the lines are back has dropped out", func(f *flight) {
			toReady(f)
			f.press(interlock.Start, 60*time.Millisecond)
			f.run(2100 * time.Millisecond)
			read := f.w.tick
			f.when(read+17*time.Millisecond, lineIs(interlock.Readback, true)) // the last line that is read
			f.when(read+18*time.Millisecond, lineIs(interlock.End, true), simply("pins silent", func(w *world) { w.noPins = true }))
			f.when(read+50*time.Millisecond, simply("heard again", func(w *world) { w.noPins = false }))
			f.when(read+18*time.Millisecond+tDropOut, lineIs(interlock.Readback, true))
		}, interlock.Fault, interlock.ReasonReadbackClosed},
		{"a word that is missing for a moment breaks the second of being down", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(10*time.Millisecond, simply("the crew lands it", func(w *world) { w.land() }))
			f.run(900 * time.Millisecond)
			f.when(f.w.tick+time.Millisecond, valueIsMissing(gLanded))
			f.run(time.Millisecond, valueIs(gLanded, 1))
			f.run(900 * time.Millisecond)
		}, interlock.Lowering, interlock.NoReason},
		{"a word that is missing for a moment breaks the agreement that the craft is disarmed", func(f *flight) {
			f.run(1900 * time.Millisecond)
			f.when(f.w.tick+time.Millisecond, valueIsMissing(gArmed))
			f.run(time.Millisecond, valueIs(gArmed, 0))
			f.press(interlock.Reset, 100*time.Millisecond)
			f.run(100 * time.Millisecond)
		}, interlock.Blocked, interlock.NoReason},
		{"a craft at the height that it must be below may be in the air", func(f *flight) {
			f.w.values[gHeight] = 0.5
			toReady(f)
		}, interlock.Blocked, interlock.NoReason},
		// From here on the engine was right, or the page leaves it open.
		{"a landing that nobody tells of any more, with no value of armed, is none", func(f *flight) {
			toReady(f)
			f.press(interlock.Start, 60*time.Millisecond)
			f.run(2100 * time.Millisecond)
			f.run(time.Millisecond, valueIsMissing(gLanded))
			f.run(time.Second, valueIsMissing(gArmed))
			f.run(600 * time.Millisecond)
			f.press(interlock.End, 60*time.Millisecond)
		}, interlock.Lowering, interlock.NoReason},
		{"a craft that counts as armed as its landing turns too old has landed two seconds later", func(f *flight) {
			toReady(f)
			f.press(interlock.Start, 60*time.Millisecond)
			f.run(2100 * time.Millisecond)
			f.run(time.Millisecond, valueIs(gArmed, 1))
			f.run(tTick+time.Millisecond, valueIs(gArmed, 0))
			f.run(100*time.Millisecond, valueIsMissing(gLanded))
			f.run(2200 * time.Millisecond)
			f.press(interlock.End, 60*time.Millisecond)
		}, interlock.Lowering, interlock.NoReason},
		{"a mirror that opens in the instant in which the second of down is over makes no record", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(10*time.Millisecond, simply("the crew lands it", func(w *world) { w.land() }))
			for f.m.down == never {
				f.when(f.w.tick)
			}
			f.when(f.m.down+tDown, lineIs(interlock.Readback, false), lineIs(interlock.Gate, false))
		}, interlock.Tripped, interlock.NoReason},
		{"a stop that is due in that instant does", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(10*time.Millisecond, simply("the crew lands it", func(w *world) { w.land() }))
			for f.m.down == never {
				f.when(f.w.tick)
			}
			f.when(f.m.down+tDown-floorLasting, valueIs(gVolts, 39))
			f.when(f.m.down + tDown)
		}, interlock.Tripped, interlock.ReasonRule},
		{"a craft that is told to be in the air, if only in between, is not down", func(f *flight) {
			toAir(f)
			f.press(interlock.End, 60*time.Millisecond)
			f.run(10*time.Millisecond, simply("the crew lands it", func(w *world) { w.land() }))
			for f.m.down == never {
				f.when(f.w.tick)
			}
			f.run(500 * time.Millisecond)
			f.when(f.w.tick, valueIs(gLanded, 0), simply("the crew lands it", func(w *world) { w.land() }))
			f.run(600 * time.Millisecond)
		}, interlock.Lowering, interlock.NoReason},
		{"a crew that ends in the instant in which the guard ends has no height", func(f *flight) {
			toAir(f)
			f.run(time.Millisecond, valueIsMissing(gHeight))
			f.run(400*time.Millisecond, lineIs(interlock.End, true), hostSays(interlock.HostEnd, true))
		}, interlock.Tripped, interlock.ReasonHeightLost},
		{"a height that is back as a controlled stop begins is not lost", func(f *flight) {
			toAir(f)
			f.run(time.Millisecond, valueIsMissing(gHeight))
			for f.w.now < 7*time.Second {
				f.when(f.w.tick)
			}
			f.run(10*time.Millisecond, valueIs(gVolts, 39))
			f.run(floorLasting, valueIs(gHeight, 1), valueIs(gVolts, 50))
		}, interlock.Lowering, interlock.ReasonRule},
	} {
		f := freshFlight(t, false)
		c.do(f)
		if f.wrong != "" || f.w.state != c.state || f.w.first != c.record {
			t.Errorf("%s: the engine is %v, first cause on record %q; %s\n  %s", c.what, f.w.state, f.w.first, f.wrong, strings.Join(f.trail, "\n  "))
		}
	}
}
