package telemetry

import (
	"cmp"
	"encoding/binary"
	"slices"
)

// knownSet is every message that can be checked, by rising id from row 1 on.
// Row 0 means "not known".
type knownSet struct {
	rows []known
	low  [512]uint16 // the row of each low id; nearly everything sent is one
}

// knownMessages is written once, here. A frame of any other id cannot be
// checked.
var knownMessages = makeKnown()

func makeKnown() *knownSet {
	s := &knownSet{rows: append([]known{{}}, messages[:]...)}
	for i, k := range messages {
		if k.id < uint32(len(s.low)) {
			s.low[k.id] = uint16(i + 1)
		}
	}
	return s
}

// row is the row of a message id, 0 when it is not known.
func (s *knownSet) row(id uint32) int {
	if id < uint32(len(s.low)) {
		return int(s.low[id])
	}
	i, found := slices.BinarySearchFunc(s.rows[1:], id, func(k known, id uint32) int { return cmp.Compare(k.id, id) })
	if !found {
		return 0
	}
	return i + 1
}

// Definition is what is known of a message: the bytes of its payload without and with
// extension fields, and its CRC_EXTRA.
func Definition(id uint32) (base, full, seed uint8, known bool) {
	row := knownMessages.row(id)
	k := &knownMessages.rows[row]
	return k.base, k.full, k.seed, row > 0
}

// BootMillis is the craft's own time since it started, in ms, when the message
// carries it (time_boot_ms). It wraps after 49.7 days.
//
// Each message tells the instant that its own numbers are from, so between
// messages of different ids the clock steps back in normal flight: by up to
// 189 ms in two recordings of real and simulated autopilots.
func (f *Frame) BootMillis() (uint32, bool) {
	if f.boot == 0 {
		return 0, false
	}
	if at := int(f.boot) - 1; at+4 <= len(f.Payload) {
		return binary.LittleEndian.Uint32(f.Payload[at:]), true
	}
	var ms uint32
	for i := range 4 { // byte by byte: zeros at the end may have been cut
		if at := int(f.boot) - 1 + i; at < len(f.Payload) {
			ms |= uint32(f.Payload[at]) << (8 * i)
		}
	}
	return ms, true
}
