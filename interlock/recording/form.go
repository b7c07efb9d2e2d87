package recording

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/intake"
)

// From draft-ietf-opsawg-pcapng (block types, options) and the link-layer
// header types of the tcpdump group (numbers of LINKTYPE_).
const (
	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockOldPacket = 2
	blockSimple    = 3
	blockPacket    = 6
	orderMagic     = 0x1A2B3C4D

	linkNull     = 0
	linkEthernet = 1
	linkRawOld   = 12 // DLT_RAW of most systems
	linkRawBSD   = 14 // DLT_RAW of one
	linkRaw      = 101
	linkLoop     = 108
	linkSLL      = 113
	linkUser0    = 147
	linkIPv4     = 228
	linkIPv6     = 229
	linkSLL2     = 276
)

// Ours. The section's application and the first line of its comment mark a
// recording as our own; the comment's other lines are "key value".
const (
	application = "downhaul"
	ownMark     = "downhaul recording 1"
)

// form is what one interface of our own recording carries.
type form struct {
	source   intake.Source
	link     uint8
	datagram bool // LINKTYPE_RAW with addresses; else USER0
}

// bare are the sources that are one interface each, in the order in which they
// stand in every file, so that an interface number means the same in each.
var bare = [...]form{
	{source: intake.Wind}, {source: intake.LoadCell}, {source: intake.Pins},
	{source: intake.HostEvent}, {source: intake.Decisions},
}

// name and about are the interface's name and its description, which names the
// form of the bytes.
func (f form) name() string {
	switch f.source {
	case intake.Telemetry:
		return fmt.Sprintf("telemetry %d", f.link)
	case intake.Wind:
		return "wind"
	case intake.LoadCell:
		return "load cell"
	case intake.Pins:
		return "pins"
	case intake.HostEvent:
		return "host"
	case intake.Decisions:
		return "decisions"
	}
	return ""
}

func (f form) about() string {
	switch f.source {
	case intake.Telemetry:
		if f.datagram {
			return "MAVLink datagrams; IP and UDP headers made up around them, addresses true"
		}
		return "form 1: MAVLink bytes of a stream, one read each"
	case intake.Wind:
		return "form 1: pulse edges of the anemometer"
	case intake.LoadCell:
		return "form 1: converter counts of the load cell"
	case intake.Pins:
		return "form 1: levels of the input lines"
	case intake.HostEvent:
		return "form 1: what the host told the engine"
	case intake.Decisions:
		return "form 1: decisions of the engine, JSON"
	}
	return ""
}

func (f form) linkType() uint16 {
	if f.datagram {
		return linkRaw
	}
	return linkUser0
}

// formOf finds the form that an interface of our own recording has.
func formOf(name string, link uint16) (form, bool) {
	if n, ok := strings.CutPrefix(name, "telemetry "); ok {
		v, err := strconv.ParseUint(n, 10, 8)
		return form{source: intake.Telemetry, link: uint8(v), datagram: link == linkRaw}, err == nil && (link == linkRaw || link == linkUser0)
	}
	for _, f := range bare {
		if f.name() == name {
			return f, link == linkUser0
		}
	}
	return form{}, false
}

// Start is what a recording says of itself.
type Start struct {
	Session  string
	Software string
	// Wall is the wall clock at engine time 0, read once; not before 1970.
	Wall time.Time
	// Next makes the file of that number, from 2, when the one before had to
	// be given up. Without it a Writer stops at the first failure.
	Next func(part int) (File, error)
}

func (s Start) comment(part int) string {
	return fmt.Sprintf("%s\nsession %s\nsoftware %s\nstart %s\npart %d",
		ownMark, oneLine(s.Session), oneLine(s.Software), s.Wall.UTC().Format(time.RFC3339Nano), part)
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// readComment takes the comment of a section apart; ok false for a file that is
// not ours or is of another form.
func readComment(app, comment string) (s Start, part int, ok bool) {
	lines := strings.Split(comment, "\n")
	if app != application || lines[0] != ownMark {
		return s, 0, false
	}
	for _, line := range lines[1:] {
		key, value, _ := strings.Cut(line, " ")
		switch key {
		case "session":
			s.Session = value
		case "software":
			s.Software = value
		case "start":
			t, err := time.Parse(time.RFC3339Nano, value)
			if err != nil {
				return s, 0, false
			}
			s.Wall, ok = t, true
		case "part":
			n, err := strconv.Atoi(value)
			if err != nil {
				return s, 0, false
			}
			part = n
		}
	}
	return s, part, ok
}
