package interlock

import (
	"testing"
	"time"

	"downhaul/rules"
)

// A climb that was last told before the craft was brought down, and is too old as that
// begins, says nothing of it: no power goes off for "climbing" that nobody saw.
func TestAnOldClimbIsNoClimbingWhileLowering(t *testing.T) {
	text := "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"overload\"\nwatch = \"tether.tension\"\nabove = \"1800 N\"\nstop = \"immediate\"\n"
	for silent, want := range map[time.Duration]State{0: Tripped, 200 * time.Millisecond: Tripped, 400 * time.Millisecond: Lowering, 5 * time.Second: Lowering} {
		r := newRig(t, text, func(s *Site) { s.Fed[rules.HeightGlobal] = rules.NotFed })
		r.silence(rules.HeightGlobal)
		r.set(rules.Tension, 500, rules.Good)
		r.live()
		r.fly()
		r.set(rules.ClimbGlobal, 2, rules.Good)
		r.run(time.Second)
		r.silence(rules.ClimbGlobal)
		r.run(silent)
		r.press(End, 100*time.Millisecond)
		if r.run(3 * time.Second); r.e.latch.state != want && (want == Lowering || r.e.latch.first.Reason != ReasonClimbing) {
			t.Errorf("silent for %v as the lowering begins: %v because of %v, want %v", silent, r.e.latch.state, r.e.latch.why, want)
		}
	}
}
