package guard

import (
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
)

// A step on the ground has a trip of its own: the craft that leaves the ground
// loses its power, also under limits that would have let it fly. It does not
// start under limits on the predicted apex, and a step that flies has no such
// trip. The step reaches the engine by the host, so that the session replays.
//
//fault:row the craft leaves the ground in a step on the ground | power off at once, 1 m above where it stood at the latest
//fault:row the load cell in the tie-down reads slack, or is silent, in a step on the ground | power off at once
func TestGroundStepTripsOffTheGround(t *testing.T) {
	files := cardedFiles(t, t.TempDir())
	f := onPad(t, files, craftmodel.EightTwo())
	f.run(time.Second)
	must(t, declare(f.guard, packA), declare(f.guard, step("first power-up")))
	asks(t, f.guard, `"first power-up" is done on the ground, and the limits enforced watch craft.apex`)
	must(t, f.guard.Finish(f.now))

	files.Pad.Text = testFile(t, "pad.toml", "@FOLDER@", t.TempDir())
	files.Envelope = File{Name: "envelope.toml", Text: testFile(t, "tilt.toml")}
	f = onPad(t, files, craftmodel.EightTwo())
	f.run(time.Second)
	must(t, declare(f.guard, packA), declare(f.guard, step("first power-up")))
	asks(t, f.guard)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(3 * time.Second)
	if len(f.trips) > 0 {
		t.Fatalf("standing on the ground it tripped %s", f.name(f.trips[0]))
	}
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 3}))
	f.run(10 * time.Second)
	if len(f.trips) == 0 || f.trips[0].Reason != interlock.ReasonLeftGround || f.cut != f.trips[0].At {
		t.Fatalf("trips %v, relay off at %v", f.trips, f.cut)
	}
	if f.top < 1 || f.top > 2 {
		t.Errorf("it got to %.2f m", f.top)
	}
	must(t, f.guard.Finish(f.now))
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}
}
