package telemetry

import (
	"cmp"
	"encoding/binary"
	"slices"
	"strconv"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

// known is what must be known of a message to check a frame of it.
type known struct {
	id   uint32
	full uint8
	base uint8
	seed byte
	boot uint8 // 1 + offset of time_boot_ms, 0: the message has none
	name string
}

// knownSet is every message that can be checked, by rising id from row 1 on.
// Row 0 means "not known".
type knownSet struct {
	rows []known
	low  [512]uint16 // the row of each low id; nearly everything sent is one
}

// knownMessages is written once, here. A frame of any other id cannot be
// checked.
var knownMessages = makeKnown()

// messageRelayStatus is RELAY_STATUS, which the library's edition lacks. The
// field list is from memory; that the seed worked out of it is the published
// one (199, c_library_v2 headers) shows that it is right.
type messageRelayStatus struct {
	TimeBootMs uint32
	On         uint16
	Present    uint16
}

// GetID is the message's id.
func (*messageRelayStatus) GetID() uint32 { return 376 }

// standardMessages is the library's common set, which holds the minimal and the
// standard one, and what it lacks.
func standardMessages() []message.Message {
	return append(append([]message.Message(nil), common.Dialect.Messages...), &messageRelayStatus{})
}

func makeKnown() *knownSet {
	s := &knownSet{rows: []known{{}}}
	for _, m := range standardMessages() {
		l, err := layoutOf(m)
		if err != nil {
			panic("the MAVLink definitions that this program was built with are damaged: " + err.Error())
		}
		k := known{id: l.id, full: uint8(l.full), base: uint8(l.base), seed: l.seed, name: l.name}
		if p, ok := l.find("TimeBootMs"); ok && p.typ == u32 && !p.extension {
			k.boot = uint8(p.offset) + 1
		}
		s.rows = append(s.rows, k)
	}
	for _, m := range furtherMessages {
		s.rows = append(s.rows, known{id: m.id, full: m.full, base: m.base, seed: m.seed})
	}
	slices.SortStableFunc(s.rows[1:], func(a, b known) int { return cmp.Compare(a.id, b.id) })
	for i, k := range s.rows[1:] {
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
	i, j := 1, len(s.rows)
	for i < j {
		if h := int(uint(i+j) >> 1); s.rows[h].id < id {
			i = h + 1
		} else {
			j = h
		}
	}
	if i < len(s.rows) && s.rows[i].id == id {
		return i
	}
	return 0
}

// MessageName is the standard's name of a message, or "message 12345" for one
// that is not in the common set.
func MessageName(id uint32) string {
	if k := &knownMessages.rows[knownMessages.row(id)]; k.name != "" {
		return k.name
	}
	return "message " + strconv.FormatUint(uint64(id), 10)
}

// BootMillis is the craft's own time since it started, in ms, when the message
// carries it (time_boot_ms). It wraps after 49.7 days.
//
// Each message tells the instant that its own numbers are from, so between
// messages of different ids the clock steps back in normal flight: by up to
// 189 ms in two recordings of real and simulated autopilots.
func (f *Frame) BootMillis() (uint32, bool) {
	if f.row == 0 {
		f.look()
	}
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
