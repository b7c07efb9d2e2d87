package intake

import (
	"net/netip"
	"time"

	"downhaul/interlock/day/telemetry"
)

// Source states where a chunk came from.
type Source uint8

// The sources. Their numbers stand in recordings: never renumber.
const (
	Telemetry Source = 1 // bytes of a MAVLink link: one datagram, or one read of a stream
	Wind      Source = 2 // pulse edges of the anemometer
	LoadCell  Source = 3 // converter counts of the load cell
	Pins      Source = 4 // levels of the input lines
	HostEvent Source = 5 // what the host says (see host.go)
	Decisions Source = 6 // what the engine decided; never an input
)

// Chunk is one piece of raw input as it was taken in by the loop.
type Chunk struct {
	At  time.Duration // the engine time at which the loop took it
	Seq uint64        // numbers all chunks of a session from 1 without a gap
	// Source and Link say where it came from; Link numbers the telemetry links
	// of the pad file from 0, and is 0 for the other sources.
	Source   Source
	Link     uint8
	Lost     uint32         // counts chunks of this source that were dropped just before it
	From, To netip.AddrPort // the addresses of a datagram; zero for streams and pins
	// Bytes is the payload; its form depends on Source. The chunk does not own
	// it: it is valid until the next chunk is asked for.
	Bytes []byte
	// Checked, where a reader sets it, is every frame in Bytes whose checksum
	// that reader has already verified; there are no others. It spares a replay
	// the second look, is no part of a recording, and a live guard never sets
	// it. Like Bytes it is valid until the next chunk.
	Checked []telemetry.Frame
}
