package guard

import (
	"bytes"
	"testing"
	"time"

	"downhaul/interlock/model/craftmodel"
)

const packFloor = `
version = 1
title   = "One rule"

[[rule]]
name  = "pack floor"
watch = "pack.lowest_cell"
below = "3.0 V"
stop  = "controlled"
grace = "6 s"
`

// The craft dies in a hover and something on the link, a repeater or a stuck
// radio, goes on with what it said last.
//
//fault:row a repeater says the last heartbeat and voltages of a dead craft over and over | neither a sign of life nor a value: power off as if nothing were heard
//fault:row a repeater says the last five seconds of a dead craft over and over | a boot clock that runs back: power off at once; neither a sign of life nor a value, once no boot clock has moved on for 2 s
func TestPromise3_ARepeaterKeepsNoDeadCraftAlive(t *testing.T) {
	for _, row := range []struct {
		name  string
		last  time.Duration      // what of the craft is said again
		some  func(id byte) bool // which messages
		most  time.Duration      // until the power is off
		first string
	}{
		// HEARTBEAT, SYS_STATUS and BATTERY_STATUS, the newest of each: none has a
		// boot clock.
		{"heartbeat, supply and packs", 3 * time.Second, func(id byte) bool { return id == 0 || id == 1 || id == 147 }, 600 * ms, "nothing heard from the craft for 0.5 s"},
		{"everything of half a second", 500 * ms, func(byte) bool { return true }, 600 * ms, "nothing heard from the craft for 0.5 s"},
		{"everything of five seconds", 5 * time.Second, func(byte) bool { return true }, 200 * ms, "the craft restarted"},
	} {
		t.Run(row.name, func(t *testing.T) {
			files := testFiles(t, t.TempDir(), "tilt.toml")
			files.Envelope.Text = []byte(packFloor)
			craft := craftmodel.EightTwo()
			craft.Turbulence = 0
			f := takeOff(t, craft, files)
			type sent struct {
				at    time.Duration
				bytes []byte
			}
			var said []sent
			f.on = func(b []byte) {
				said = append(said, sent{f.now, bytes.Clone(b)})
				f.send(b)
			}
			f.run(6 * time.Second)
			if s := f.guard.Status(); s.State != "live" {
				t.Fatalf("%s: %v", s.State, s.FirstCause)
			}
			// The newest of every message, or all, as it was sent.
			died := f.now
			var loop []sent
			for i, s := range said {
				if died-s.at > row.last || !row.some(s.bytes[7]) {
					continue
				}
				newer := false
				for _, o := range said[i+1:] {
					newer = newer || row.name[0] == 'h' && o.bytes[7] == s.bytes[7]
				}
				if !newer {
					loop = append(loop, s)
				}
			}
			if len(loop) < 3 {
				t.Fatalf("only %d frames to say again", len(loop))
			}
			pass, next, step := died, 0, 100*ms
			f.on = func([]byte) {
				for ; ; next++ {
					if next == len(loop) {
						next, pass = 0, f.now
					}
					if row.name[0] == 'h' {
						if f.now-pass < time.Duration(next)*step {
							return
						}
					} else if f.now-pass < loop[next].at-(died-row.last) {
						return
					}
					f.send(loop[next].bytes)
					if next == len(loop)-1 {
						next, pass = -1, f.now+step
					}
				}
			}
			f.run(12 * time.Second)
			s := f.guard.Status()
			if s.State != "tripped" || len(f.trips) == 0 {
				t.Fatalf("12 s after it died: %s, lowest cell %v", s.State, s.Channels)
			}
			if late := f.trips[0].At - died; late > row.most {
				t.Errorf("tripped %v after it died, want within %v", late, row.most)
			}
			if s.FirstCause != row.first {
				t.Errorf("first cause %q", s.FirstCause)
			}
			if s.Link.Repeated == 0 {
				t.Errorf("none counted as repeated: %+v", s.Link)
			}
			heard := s.Link.Frames
			f.run(5 * time.Second)
			if more := f.guard.Status().Link.Frames - heard; more != 0 {
				t.Errorf("%d repeated frames were taken for the craft's", more)
			}
		})
	}
}
