package tilt

import (
	"testing"
	"time"
)

// Something missing at any moment: in a lean that lean was not held, however long
// it was held before and behind; in a rest all is well as long as 2 s of it are
// left. The leans are 2 s long and the rests between them 4 s.
func TestNothingCountsAcrossABreak(t *testing.T) {
	for at := 100 * ms; at < 28*time.Second; at += 100 * ms {
		h := craft(t, ring(4))
		hold := func(ahead, right float64, d time.Duration) {
			if before := at - h.now; before >= 0 && before < d {
				h.lean(ahead, right, before)
				h.w.Break()
				d -= before
			}
			h.lean(ahead, right, d)
		}
		hold(0, 0, 4*time.Second)
		for _, d := range []Direction{NoseDown, TailDown, LeftDown, RightDown} {
			a, r := d.low()
			hold(20*deg*a, 20*deg*r, 2*time.Second)
			hold(0, 0, 4*time.Second)
		}
		r := h.w.Result()
		into := at % (6 * time.Second)
		switch lean := into > 4*time.Second; {
		case lean:
			if d := int(at / (6 * time.Second)); r.Passed || r.Held[d] != nil {
				t.Errorf("a break at %v, in a lean: passed %v, held %v", at, r.Passed, r.Held[d])
			}
			holds(t, r, "something is missing in the recording, once")
		case into > 300*ms && into < 1400*ms || at > 24*time.Second+400*ms:
			if !r.Passed {
				t.Errorf("a break at %v, in a rest: %v", at, r.Findings)
			}
		case into > 2500*ms && at < 24*time.Second:
			if r.Passed {
				t.Errorf("a break at %v, with too little of the rest left: passed", at)
			}
		}
	}
}

// Rows that are seconds apart in a lean of a recording part it, too.
func TestASilenceInALeanPartsIt(t *testing.T) {
	for _, live := range []bool{false, true} {
		h := craft(t, ring(4))
		h.w.Asked = live
		h.lean(0, 0, 4*time.Second)
		h.lean(20*deg, 0, 1500*ms)
		h.now += 3 * time.Second
		h.lean(20*deg, 0, 500*ms)
		if held, _ := h.w.Held(NoseDown); held != live {
			t.Errorf("live %v: a lean with 3 s missing in it was held: %v", live, held)
		}
	}
}
