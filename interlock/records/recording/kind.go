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
	if _, _, ok := s.NextWhole(head); ok {
		return Raw, nil, false, nil
	}
	return "", nil, false, fmt.Errorf("%s; %s", looksLike(head, whole), mendForm)
}

// looksLike says in plain words what a file that is no recording seems to be.
func looksLike(head []byte, whole bool) string {
	// Published magic numbers of each format.
	for _, m := range []struct{ magic, says string }{
		{"\x1f\x8b", "the file is compressed with gzip: unpack it first (gunzip FILE)"},
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
