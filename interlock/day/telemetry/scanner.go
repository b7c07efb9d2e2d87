package telemetry

import "encoding/binary"

// Frame is one checked MAVLink frame. Payload and Raw point into the bytes it
// was found in and are valid as long as those are.
type Frame struct {
	System    uint8 // never 0
	Component uint8 // never 0
	ID        uint32
	Seq       uint8
	Version   uint8  // 1 or 2
	Signed    bool   // a signature is there; nobody has checked it yet
	boot      uint8  // as in known
	row       uint16 // of knownMessages
	Payload   []byte
	Raw       []byte // the whole frame, from its first byte to CRC or signature
}

// From the MAVLink guide, "Packet Serialization".
const (
	startV1      = 0xFE
	startV2      = 0xFD
	headV1       = 6
	headV2       = 10
	crcSize      = 2
	signatureLen = 13
	flagSigned   = 0x01 // the only incompatibility flag there is
	longestFrame = headV2 + 255 + crcSize + signatureLen
)

// Counts is what a scanner has met. BadBytes and the lengths of all good
// frames add up to every byte that was used.
type Counts struct {
	Good     uint64 // frames let through
	BadBytes uint64 // bytes that are in no good frame

	// What became of starts that gave no frame. A start byte within noise or
	// within another frame counts too, so these tell kinds, not frames.
	UnknownID   uint64 // no published definition has the id: its checksum cannot be checked
	UnknownFlag uint64 // an incompatibility flag that nobody here understands
	BadLength   uint64 // version 1, and not the length of the message
	BadCRC      uint64 // the checksum does not fit
	Cut         uint64 // the bytes ended within it (whole buffers only)

	Refused uint64 // checksum right, but system or component 0, which no sender may have
}

// Scanner finds checked frames. The zero Scanner is ready.
//
// A start that gives no frame is given up one byte later, so a frame inside a damaged one is
// found: receivers that throw away what the damaged one claimed lose good frames with it. The
// price is that a frame carried as payload of a damaged one is heard; it still needs its own
// right checksum and the named craft's identity.
//
// Chance passes a 16-bit checksum once in 65,536 tries, so other conditions stand before it: a
// known id (in version 2 some 400 of 16.7 million) and, in version 1 with its ids of eight bits,
// exactly the message's length. In version 2 any length is taken: shorter ones lost their
// zeros, and to refuse longer ones would make a craft mute for a newer edition of the standard.
type Scanner struct {
	Counts Counts
}

// NextInto finds the next frame in b and writes it into f. Where there is none (not ok, f stays
// as it is) used counts what can be thrown away: all where nothing follows b (whole), else all
// before a start at the end that may yet become a frame (at most 279 bytes).
func (s *Scanner) NextInto(f *Frame, b []byte, whole bool) (used int, ok bool) {
	i := 0
	for i < len(b) {
		if b[i] != startV1 && b[i] != startV2 {
			i++
			continue
		}
		size, found := s.try(f, b[i:])
		switch found {
		case good:
			s.Counts.Good++
			s.Counts.BadBytes += uint64(i)
			return i + size, true
		case refused:
			s.Counts.Refused++
			i += size
		case short:
			if !whole {
				s.Counts.BadBytes += uint64(i)
				return i, false
			}
			s.Counts.Cut++
			i++
		default:
			i++
		}
	}
	s.Counts.BadBytes += uint64(i)
	return i, false
}

// found is what a start turned out to be.
type found uint8

const (
	nothing found = iota // and counted
	short                // more bytes are needed to tell
	refused              // checked, but of system or component 0
	good
)

// try looks at one start, gives the size of the frame there, and takes a good
// one apart.
func (s *Scanner) try(f *Frame, b []byte) (int, found) {
	var size, sum, system int
	var row int
	if b[0] == startV1 {
		if len(b) < headV1 {
			return 0, short
		}
		if row = knownMessages.row(uint32(b[5])); row == 0 {
			s.Counts.UnknownID++
			return 0, nothing
		}
		if b[1] != knownMessages.rows[row].base {
			s.Counts.BadLength++
			return 0, nothing
		}
		sum, system = headV1+int(b[1]), 3
		size = sum + crcSize
	} else {
		if len(b) < headV2 {
			return 0, short
		}
		if b[2]&^flagSigned != 0 {
			s.Counts.UnknownFlag++
			return 0, nothing
		}
		if row = knownMessages.row(idV2(b)); row == 0 {
			s.Counts.UnknownID++
			return 0, nothing
		}
		sum, system = headV2+int(b[1]), 5
		size = sum + crcSize
		if b[2]&flagSigned != 0 {
			size += signatureLen
		}
	}
	if len(b) < size {
		return 0, short
	}
	if Checksum(b[1:sum], knownMessages.rows[row].seed) != binary.LittleEndian.Uint16(b[sum:]) {
		s.Counts.BadCRC++
		return 0, nothing
	}
	if b[system] == 0 || b[system+1] == 0 {
		return size, refused
	}
	f.row, f.boot = uint16(row), knownMessages.rows[row].boot
	f.cut(b[:size:size])
	return size, good
}

// idV2 is the id in the head of version 2.
func idV2(b []byte) uint32 { return binary.LittleEndian.Uint32(b[6:]) >> 8 }

// cut takes a checked frame apart.
func (f *Frame) cut(raw []byte) {
	f.Raw = raw
	if raw[0] == startV1 {
		f.Seq, f.System, f.Component, f.ID = raw[2], raw[3], raw[4], uint32(raw[5])
		f.Version, f.Signed = 1, false
		f.Payload = raw[headV1 : headV1+int(raw[1])]
		return
	}
	f.Seq, f.System, f.Component, f.ID = raw[4], raw[5], raw[6], idV2(raw)
	f.Version, f.Signed = 2, raw[2]&flagSigned != 0
	f.Payload = raw[headV2 : headV2+int(raw[1])]
}
