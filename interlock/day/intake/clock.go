package intake

import (
	"encoding/binary"
	"time"

	"downhaul/interlock/day/telemetry"
)

// Ours.
const (
	// restartMS is how far the craft's boot clock must stand behind the newest of
	// the same message to be a restart, in ms; less is a frame that was overtaken
	// on the way.
	restartMS = 1000
	// upMS is by how much a craft that restarted may have been up for longer than
	// its clock stood still here, in ms: frames wait in radios. A clock that is
	// behind and older than that is one of old frames.
	upMS = 5_000
	// oldMS is how long such a clock must go on without a step back, while nothing
	// else does, before it is believed, in ms: no radio holds back so much.
	oldMS = 30_000
	// stillAfter is how long frames may come whose boot clocks have not moved on.
	// From then on nothing that the craft says counts: it is a loop of old frames.
	stillAfter = 2 * time.Second
	// goneAfter and goneTimes: a craft whose clock moved on goneMoves times and then
	// is not told at all, for so long and for so many times the longest that it ever
	// was while other frames came, is gone: what comes without one may be anybody's
	// who goes on in its place. A silence of the link counts aliveGap at most.
	goneAfter = 10 * time.Second
	goneTimes = 5
	goneMoves = 20
	aliveGap  = time.Second
)

// Messages that are sent several times with one boot clock, one for each
// sensor or name. From the MAVLink common message set.
const (
	idDistanceSensor  = 132 // id at byte 11, orientation at 12
	idNamedValueFloat = 251 // name at bytes 8 to 17
	idNamedValueInt   = 252 // name at bytes 8 to 17
)

// age is what the boot clock says of a frame.
type age uint8

const (
	fresh  age = iota
	same       // the clock has not moved since the last such frame
	late       // older than the last such frame: overtaken on the way
	back       // so much older that the craft has restarted
	turned     // older than any restart explains, and the first of its kind
	old        // another such: said before
	rival      // the same while the other clock goes on: two senders
)

// bootClocks remembers the newest boot clock of every message of the craft.
//
// It is a fixed table; a craft that sends more kinds of frames than it holds
// has the rest taken as fresh.
type bootClocks struct {
	used  int
	ticks bool          // a clock was seen to move on; one that never did is none
	ms    uint32        // of the last frame whose clock moved on
	moved time.Duration // when that was
	// still reports whether frames came since whose clocks did not move on:
	// the first and the last of them.
	still                 bool
	stillFrom, stillUntil time.Duration
	// For how long frames without a clock came since it moved on, the longest that
	// was, the last frame that counts for it, and how often the clock moved on.
	without, longest, frameAt time.Duration
	moves                     int
	// The clock of old frames, if there were any since the last restart: the lowest
	// of it, where it began to go on without a step back, its newest, when that was
	// heard, and whether another clock moved on since.
	older                    bool
	oldLow, oldFrom, oldMost uint32
	oldAt                    time.Duration
	oldBeside                bool

	slot [clockSlots]struct {
		key uint64 // 0 is free
		ms  uint32
	}
}

const (
	clockSlots = 256
	clockFull  = 192
)

// clockKey tells apart the frames that have a clock each; never 0. Two names
// meet by chance once in 2^62 and would then lose samples as repeated ones.
func clockKey(f *telemetry.Frame) uint64 {
	var low, high uint64
	switch f.ID {
	case idDistanceSensor:
		low = uint64(byteAt(f.Payload, 11))<<8 | uint64(byteAt(f.Payload, 12))
	case idNamedValueFloat, idNamedValueInt:
		var name [16]byte
		if len(f.Payload) > 8 {
			copy(name[:10], f.Payload[8:])
		}
		low = binary.LittleEndian.Uint64(name[:])
		high = binary.LittleEndian.Uint64(name[8:])
	default:
		return uint64(f.ID)<<1 | 1
	}
	// FNV-1a in words: http://www.isthe.com/chongo/tech/comp/fnv/ (from memory).
	h := uint64(0xCBF29CE484222325)
	for _, w := range [...]uint64{uint64(f.ID), low, high} {
		h = (h ^ w) * 0x100000001B3
		h ^= h >> 32
	}
	return h | 1<<63 | 1
}

// byteAt is payload byte i, 0 where trailing zeros were cut.
func byteAt(b []byte, i int) byte {
	if i < len(b) {
		return b[i]
	}
	return 0
}

// look returns how old a frame is that was heard at this time, and remembers its
// clock when that is fresh. A restart forgets every other clock. timed is false
// where the time is an estimate made of these very clocks.
func (c *bootClocks) look(f *telemetry.Frame, ms uint32, at time.Duration, timed bool) age {
	a := c.judge(f, ms, at, timed)
	if a == fresh || a == back {
		if c.passes(at); !c.gone() {
			c.longest = max(c.longest, c.without)
		}
		c.without, c.moves = 0, min(c.moves+1, goneMoves)
		c.ms, c.moved, c.still, c.oldBeside = ms, at, false, true
	} else {
		c.stand(at)
	}
	return a
}

// passes counts the time up to a frame.
func (c *bootClocks) passes(at time.Duration) {
	c.without += min(at-c.frameAt, aliveGap)
	c.frameAt = at
}

// gone reports whether no clock was told for longer than this craft ever lets pass.
func (c *bootClocks) gone() bool {
	return c.moves == goneMoves && c.without > max(goneAfter, goneTimes*c.longest)
}

// lacks takes a frame that has no clock, and reports whether nothing without one
// counts any more.
func (c *bootClocks) lacks(at time.Duration) bool {
	c.passes(at)
	return c.stuck() || c.gone()
}

// stand notes that a frame came whose clock did not move on.
func (c *bootClocks) stand(at time.Duration) {
	if !c.still {
		c.still, c.stillFrom = true, at
	}
	c.stillUntil = at
}

// another reports whether a boot clock cannot be the one that is known.
func (c *bootClocks) another(ms uint32, at time.Duration) bool {
	if c.used == 0 {
		return false
	}
	off := int64(ms) - int64(c.ms) - int64((at-c.moved)/time.Millisecond)
	return off > upMS || off < -upMS
}

// stuck reports whether frames come and no boot clock moves on any more.
func (c *bootClocks) stuck() bool {
	return c.ticks && c.still && c.stillUntil-c.stillFrom >= stillAfter
}

// goesOn reports whether a boot clock is past all others, by half the time that went
// by since or more.
func (c *bootClocks) goesOn(ms uint32, at time.Duration) bool {
	return ms > c.ms && 2*time.Duration(ms-c.ms)*time.Millisecond >= at-c.moved
}

func (c *bootClocks) judge(f *telemetry.Frame, ms uint32, at time.Duration, timed bool) age {
	key := clockKey(f)
	i := key * 0x9E3779B97F4A7C15 >> 56 // the top 8 bits: one of clockSlots
	for c.slot[i].key != 0 && c.slot[i].key != key {
		i = (i + 1) % clockSlots
	}
	s, newest := &c.slot[i], c.ms
	if s.key != 0 {
		newest = s.ms
	}
	switch {
	case newest > ms && newest-ms >= restartMS:
		// What was old when it was first heard does not become a restart by
		// going on for as long.
		known := c.older && ms+restartMS >= c.oldLow
		if timed && (known || time.Duration(ms) > (at-c.moved)/time.Millisecond+upMS) {
			return c.ancient(f, ms, at)
		}
		*c = bootClocks{ticks: c.ticks}
		c.judge(f, ms, at, false)
		return back
	case s.key == 0:
		if c.used < clockFull {
			c.used++
			s.key, s.ms = key, ms
		}
		return fresh
	case ms == s.ms:
		return same
	case ms < s.ms:
		return late
	}
	s.ms, c.ticks = ms, true
	return fresh
}

// ancient returns what a frame is whose clock is too old for a restart.
func (c *bootClocks) ancient(f *telemetry.Frame, ms uint32, at time.Duration) age {
	a := old
	if !c.older {
		a = turned
		c.older, c.oldLow, c.oldFrom, c.oldMost = true, ms, ms, ms
	} else if c.oldBeside && at-c.oldAt <= stillAfter {
		c.oldAt, c.oldBeside = at, false
		return rival
	}
	c.oldLow = min(c.oldLow, ms)
	switch {
	case ms+restartMS <= c.oldMost:
		c.oldFrom, c.oldMost = ms, ms // another turn of a loop
	case c.oldMost-c.oldFrom >= oldMS && at-c.moved > stillAfter:
		*c = bootClocks{ticks: c.ticks}
		c.judge(f, ms, at, false)
		return back
	}
	c.oldMost, c.oldAt, c.oldBeside = max(c.oldMost, ms), at, false
	return a
}
