package recording

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"unicode/utf8"

	"downhaul/interlock/day/telemetry"
)

// Form is the form of a recording.
type Form string

// The forms that are read.
const (
	PCAPNG Form = "pcapng"
	PCAP   Form = "pcap"
	Raw    Form = "raw MAVLink bytes"
)

// From the pcap format (draft-ietf-opsawg-pcap): the magic numbers.
const (
	magicMicro = 0xA1B2C3D4
	magicNano  = 0xA1B23C4D
)

const mendForm = "give a pcapng or pcap capture of the telemetry link (UDP), or the link's raw bytes"

// tell finds the form by content; head is the beginning of the file, all of it
// when whole.
func tell(head []byte, whole bool) (form Form, order binary.ByteOrder, nano bool, err error) {
	if len(head) == 0 {
		return "", nil, false, fmt.Errorf("the file is empty; %s", mendForm)
	}
	if len(head) >= 4 {
		if binary.LittleEndian.Uint32(head) == blockSection {
			return PCAPNG, binary.LittleEndian, false, nil
		}
		for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
			switch order.Uint32(head) {
			case magicMicro:
				return PCAP, order, false, nil
			case magicNano:
				return PCAP, order, true, nil
			}
		}
	}
	var s telemetry.Scanner
	if _, ok := s.NextInto(new(telemetry.Frame), head, true); ok {
		if n := stamp(head); n > 0 {
			return "", nil, false, fmt.Errorf("in front of nearly every MAVLink frame stand %d other bytes, as where a program wrote a stamp of its own before each; such logs are not read, and their frames taken as raw bytes would lose their times: %s", n, mendForm)
		}
		return Raw, nil, false, nil
	}
	return "", nil, false, fmt.Errorf("%s; %s", looksLike(head, whole), mendForm)
}

// Ours. A stamp is at most longestStamp bytes, and a log of stamped frames is told by
// leastStamped frames or more.
const longestStamp, leastStamped = 64, 8

// stamp is the number of bytes that stand in front of nearly every frame, 0 where
// frames follow frames as on a link, whatever noise is between some.
func stamp(head []byte) int {
	var s telemetry.Scanner
	var gaps [longestStamp + 1]int
	frames := 0
	var f telemetry.Frame
	for used, ok := s.NextInto(&f, head, true); ok; used, ok = s.NextInto(&f, head, true) {
		if gap := used - len(f.Raw); gap <= longestStamp {
			gaps[gap]++
		}
		frames, head = frames+1, head[used:]
	}
	for n := 1; n <= longestStamp; n++ {
		// Frames of messages that are not known here may stand between, and a stamp
		// may look like the beginning of a frame now and then.
		if frames >= leastStamped && 2*gaps[n] > frames && 10*gaps[0] < frames {
			return n
		}
	}
	return 0
}

// looksLike returns in plain words what a file that is no recording seems to be.
func looksLike(head []byte, whole bool) string {
	// Published magic numbers of each format.
	for _, m := range []struct{ magic, says string }{
		{"\x1f\x8b", "the file is compressed with gzip, and damaged or packed twice: unpack it first (gunzip FILE)"},
		{"BZh", "the file is compressed with bzip2: unpack it first (bunzip2 FILE)"},
		{"\xfd7zXZ\x00", "the file is compressed with xz: unpack it first (unxz FILE)"},
		{"\x28\xb5\x2f\xfd", "the file is compressed with zstd: unpack it first (unzstd FILE)"},
		{"PK\x03\x04", "the file is a zip archive: unpack it first"},
		{"SQLite format 3\x00", "the file is an SQLite database, not a recording"},
		{"\x7fELF", "the file is a program, not a recording"},
		{"%PDF", "the file is a PDF document, not a recording"},
		{"\x89PNG", "the file is a picture, not a recording"},
	} {
		if bytes.HasPrefix(head, []byte(m.magic)) {
			return m.says
		}
	}
	if len(bytes.Trim(head, "\x00")) == 0 {
		return "the file holds only zeros, as when the power went before anything was kept"
	}
	if isText(head) {
		return "the file is text, not a recording"
	}
	if whole {
		return fmt.Sprintf("no capture header and no MAVLink frame with a right checksum in the file's %d bytes", len(head))
	}
	return fmt.Sprintf("no capture header and no MAVLink frame with a right checksum in the first %d bytes", len(head))
}

func isText(b []byte) bool {
	b = b[:min(len(b), 4096)]
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 && len(b) > utf8.UTFMax {
			return false
		}
		if r < 0x20 && r != '\n' && r != '\r' && r != '\t' && r != '\f' {
			return false
		}
		b = b[n:]
	}
	return true
}
