package intake

import (
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
)

// A craft whose boot clock stands from the beginning, in the one message that has
// one, is no loop: it is heard for as long as it speaks. What stands beside such a
// clock is no value, since nobody knows when it is from. Once a clock was seen to
// move on, one that stands is a loop, also behind a restart.
func TestAClockThatNeverMovedIsNoLoop(t *testing.T) {
	for _, clock := range []uint32{0, 1000, 600_000} {
		for _, c := range []struct {
			what   string
			before []uint32
			heard  bool
		}{
			{"from the beginning", nil, true},
			{"behind another that stood", []uint32{clock + 900_000}, true},
			{"behind one that moved on", []uint32{clock + 900_000, clock + 900_020}, false},
		} {
			f := feed(t, Config{})
			craft := sender{system: 1, component: 1}
			at := time.Duration(0)
			say := func(m message.Message) bool {
				return has(f.datagram(at, addrA, craft.frame(m)), interlock.FrameInput) > 0
			}
			for _, before := range c.before {
				at += 20 * ms
				say(attitude(before, 0))
			}
			at += 10 * time.Minute
			heard, sent := 0, 0
			for i := range 3000 {
				at += 20 * ms
				switch i % 5 {
				case 0:
					if say(attitude(clock, float32(i%7)/10)) != (i == 0) {
						t.Fatalf("clock %d %s: the frame beside it at %v", clock, c.what, at)
					}
				case 1:
					sent++
					if say(heartbeat()) {
						heard++
					}
				}
			}
			if most := int(stillAfter/(100*ms)) + 1; c.heard && heard < sent || !c.heard && heard > most {
				t.Errorf("clock %d %s: %d of %d heartbeats were heard", clock, c.what, heard, sent)
			}
		}
	}
}
