package recorder

import (
	"fmt"
	"strings"
	"time"

	"downhaul/interlock/day/intake"
)

// Link types of our interfaces: header types of the tcpdump group (LINKTYPE_).
const (
	LinkRaw   = 101 // begins with an IP header
	LinkUser0 = 147 // for private use
)

// Ours. The section's application and the first line of its comment mark a
// recording as our own; the comment's other lines are "key value".
const (
	Application = "downhaul"
	FirstLine   = "downhaul recording 1"
)

// FileName is the name of a part of a session's recording, from 1.
func FileName(part int) string {
	if part <= 1 {
		return "recording.pcapng"
	}
	return fmt.Sprintf("recording-%d.pcapng", part)
}

// Form is what one interface of our own recording carries.
type Form struct {
	Source   intake.Source
	Link     uint8
	Datagram bool // LINKTYPE_RAW with addresses; else USER0
}

// bare are the sources that are one interface each, in the order in which they
// stand in every file, so that an interface number means the same in each.
var bare = [...]Form{
	{Source: intake.Wind}, {Source: intake.LoadCell}, {Source: intake.Pins},
	{Source: intake.HostEvent}, {Source: intake.Decisions},
}

// said are the name of each interface and its description, which names the form of the
// bytes. Telemetry has one for each link.
var said = [...]struct{ name, about string }{
	intake.Telemetry: {"telemetry", "form 1: MAVLink bytes of a stream, one read each"},
	intake.Wind:      {"wind", "form 1: pulse edges of the anemometer"},
	intake.LoadCell:  {"load cell", "form 1: converter counts of the load cell"},
	intake.Pins:      {"pins", "form 1: levels of the input lines"},
	intake.HostEvent: {"host", "form 1: what the host told the engine"},
	intake.Decisions: {"decisions", "form 1: decisions of the engine, JSON"},
}

// Name is the interface's name, empty for a source that is not known.
func (f Form) Name() string {
	switch {
	case int(f.Source) >= len(said):
		return ""
	case f.Source == intake.Telemetry:
		return fmt.Sprintf("telemetry %d", f.Link)
	}
	return said[f.Source].name
}

func (f Form) about() string {
	if f.Datagram {
		return "MAVLink datagrams; IP and UDP headers made up around them, addresses true"
	}
	return said[f.Source].about
}

func (f Form) linkType() uint16 {
	if f.Datagram {
		return LinkRaw
	}
	return LinkUser0
}

// Start is what a recording says of itself.
type Start struct {
	Session  string
	Software string
	// Mark is set where no real relay was worked, and says so.
	Mark string
	// Wall is the wall clock at engine time 0, read once; not before 1970.
	Wall time.Time
	// Next makes the file of that number, from 2, when the one before had to
	// be given up. Without it a Writer stops at the first failure.
	Next func(part int) (File, error)
}

func (s Start) comment(part int) string {
	text := fmt.Sprintf("%s\nsession %s\nsoftware %s\nstart %s\npart %d",
		FirstLine, oneLine(s.Session), oneLine(s.Software), s.Wall.UTC().Format(time.RFC3339Nano), part)
	if s.Mark != "" {
		text += "\nmark " + oneLine(s.Mark)
	}
	return text
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
