package guard

import (
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// TestTurnAllocatesNothing: what allocates is collected, and a collection is a
// delay that nobody asked for.
func TestTurnAllocatesNothing(t *testing.T) {
	r := newRig(t)
	r.live()
	r.run(time.Second)
	k := keeperOf(t, r.env, nullLog{}, nullRecorder{}, func(uint32) {})
	for i := range k.queue.slots { // as after some minutes: the places go round
		k.queue.slots[i] = record{bytes: make([]byte, 0, 512), decisions: make([]interlock.Effect, 0, 16)}
	}
	r.loop.cfg.Keep = func(b *Batch) {
		k.put(b)
		if k.queue.next() != nil {
			k.queue.done()
		}
	}
	// Half a second of the craft's own frames, told over and over with the
	// clock that they came with: fresh each time as far as the intake goes.
	var frames [][]byte
	from := r.now
	for r.craft.Now() < from+500*ms {
		r.craft.Advance(r.craft.Now() + 5*ms)
		for _, f := range r.craft.Frames(nil) {
			frames = append(frames, f.Bytes)
		}
	}
	if len(frames) < 30 {
		t.Fatalf("only %d frames", len(frames))
	}
	i := 0
	allocs := testing.AllocsPerRun(1000, func() {
		r.now += 2 * ms
		r.loop.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: frames[i%len(frames)]})
		i++
		r.loop.Turn(r.now)
	})
	if allocs > 0 {
		t.Errorf("%v allocations a turn", allocs)
	}
}
