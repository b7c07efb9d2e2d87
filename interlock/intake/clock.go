package intake

import (
	"encoding/binary"

	"downhaul/interlock/telemetry"
)

// restartMS is how far the craft's boot clock must stand behind the newest of
// the same message to be a restart, in ms; less is a frame that was overtaken
// on the way. Ours.
const restartMS = 1000

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
	fresh age = iota
	same      // the clock has not moved since the last such frame
	late      // older than the last such frame: overtaken on the way
	back      // so much older that the craft has restarted
)

// bootClocks remembers the newest boot clock of every message of the craft.
//
// It is a fixed table; a craft that sends more kinds of frames than it holds
// has the rest taken as fresh.
type bootClocks struct {
	used int
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

// look tells how old the frame is and remembers its clock when that is fresh.
// A restart forgets every other clock.
func (c *bootClocks) look(f *telemetry.Frame, ms uint32) age {
	key := clockKey(f)
	i := key * 0x9E3779B97F4A7C15 >> 56 // the top 8 bits: one of clockSlots
	for c.slot[i].key != 0 && c.slot[i].key != key {
		i = (i + 1) % clockSlots
	}
	s := &c.slot[i]
	if s.key == 0 {
		if c.used < clockFull {
			c.used++
			s.key, s.ms = key, ms
		}
		return fresh
	}
	switch {
	case ms == s.ms:
		return same
	case ms > s.ms:
		s.ms = ms
		return fresh
	case s.ms-ms < restartMS:
		return late
	}
	*c = bootClocks{}
	c.look(f, ms)
	return back
}
