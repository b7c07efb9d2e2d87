package intake

import (
	"encoding/binary"
	"math/bits"
	"time"

	"downhaul/interlock/day/telemetry"
)

// A repeater, or a radio that is stuck, sends again what a craft said before it
// went silent. Such a frame has the sequence number and the bytes of one that
// was heard lately. It must not count as a sign of life, nor as a value: a dead
// craft would stay alive, with the voltage it once had.
//
// The number has eight bits, so a healthy craft at rest sends the same bytes
// under the same number again 256 frames later. What was said is therefore
// forgotten repeatFrames later, counted in frames sent as well as in frames
// heard. All of this is ours.
const (
	repeatFrames = 200
	// aheadFrames is how far a number may be ahead of the newest one before it
	// is rather one of the last repeatFrames, come late. A craft that goes on by
	// up to this many frames is never taken for a repeat.
	aheadFrames = 255 - repeatFrames
	// adoptRun frames in order, one of them with a boot clock that moved on, are
	// the craft going on behind a gap of more than aheadFrames: nothing that was
	// said before has a clock that moves on.
	adoptRun = 3
	// leapKeeps is for how long before a leap what was said is remembered. A leap is
	// a boot clock that went on with the time, beside a number that is not ahead:
	// frames went unseen, and nobody can tell how many. Of a flow that was thinned
	// out on the way every frame may be 256 on from the one before, with the same
	// number; what never changes would be refused for minutes.
	leapKeeps = time.Second
	// repeatWays is how many frames are remembered under one number. Each channel
	// of a sender that counts for itself needs one.
	repeatWays = 4
)

// past is what was heard of the craft lately: a fixed table by sequence number.
type past struct {
	started bool
	head    uint8  // the newest number
	place   uint32 // of head, in a count of frames sent that goes on at the wrap
	heard   uint32 // frames taken
	run     int    // frames in order that are not ahead of head, runAt the last
	runAt   uint8
	moved   bool          // a boot clock moved on within the run
	leapt   time.Duration // the last leap
	said    [256]numbered
}

// numbered is what was heard under one number; next is the oldest of it.
type numbered struct {
	said [repeatWays]said
	next uint8
}

// said is one frame that was heard.
type said struct {
	sum          uint64
	at           time.Duration
	place, heard uint32 // heard is 0 where nothing was
}

// sumOf tells frames apart by all their bytes. Two that differ meet by chance
// once in 2^64, and the later one would be lost.
func sumOf(f *telemetry.Frame) uint64 {
	// Two words at a time, folded from their whole product, as the
	// public-domain hash wyhash does (from memory; the constants are digits of π).
	h, b := 0x243F6A8885A308D3^uint64(len(f.Raw)), f.Raw
	var short [16]byte
	if len(b) < len(short) {
		copy(short[:], b)
		b = short[:]
	}
	last := b[len(b)-16:]
	for ; len(b) > 16; b = b[16:] {
		h = fold(binary.LittleEndian.Uint64(b)^0x13198A2E03707344, binary.LittleEndian.Uint64(b[8:])^h)
	}
	return fold(binary.LittleEndian.Uint64(last)^0x13198A2E03707344, binary.LittleEndian.Uint64(last[8:])^h)
}

func fold(a, b uint64) uint64 {
	high, low := bits.Mul64(a, b)
	return high ^ low
}

// has reports whether a frame of this number and these bytes was taken lately.
func (p *past) has(seq uint8, sum uint64) bool {
	for i := range p.said[seq].said {
		s := &p.said[seq].said[i]
		if s.sum == sum && s.heard != 0 && p.heard-s.heard < repeatFrames && p.place-s.place <= repeatFrames && s.at+leapKeeps >= p.leapt {
			return true
		}
	}
	return false
}

// take remembers a frame that is no repeat; moved reports whether it has a boot
// clock that moved on, goesOn whether as the time went on: one that was overtaken
// on the way, or lost the first time, may have a clock that moved on too.
func (p *past) take(at time.Duration, seq uint8, sum uint64, moved, goesOn bool) {
	if !p.started {
		p.started, p.head = true, seq
	}
	place := p.place
	if ahead := seq - p.head; ahead <= aheadFrames {
		place += uint32(ahead)
		p.head, p.place, p.run = seq, place, 0
	} else {
		place -= 256 - uint32(ahead)
		if goesOn {
			p.leapt = at
		}
		if step := seq - p.runAt; p.run == 0 || step == 0 || step > aheadFrames {
			p.run, p.moved = 0, false
		}
		p.run, p.runAt, p.moved = p.run+1, seq, p.moved || moved
		if p.run >= adoptRun && p.moved {
			p.head, p.run = seq, 0
			p.place += uint32(ahead)
			place = p.place
		}
	}
	p.heard++
	n := &p.said[seq]
	s := &n.said[n.next]
	s.sum, s.at, s.place, s.heard = sum, at, place, p.heard
	n.next = (n.next + 1) % repeatWays
}

// restart forgets what was said: the craft numbers its frames anew.
func (p *past) restart() { *p = past{heard: p.heard} }
