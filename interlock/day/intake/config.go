package intake

import (
	"net/netip"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
)

// MaxLinks is the most telemetry links a pad can have.
const MaxLinks = 8

// Craft names the one craft that is heard.
type Craft struct {
	// System and Component are its MAVLink ids, 1 to 255 each.
	System, Component uint8
}

// LinkConfig is one telemetry link.
type LinkConfig struct {
	// Stream is true for bytes without bounds (serial, TCP); false when every
	// chunk is one datagram.
	Stream bool
	// From, for datagrams, is the address the craft is heard from. The zero
	// value takes the first address that names itself as the craft, for as
	// long as it is alive. Port 0 takes the first port of that address. Must
	// be zero for streams.
	From netip.AddrPort
}

// Config is everything intake must know of the pad and the craft.
type Config struct {
	Craft Craft
	// Signed reports that only frames with the craft's signature came through: the
	// key tells the craft from others, whatever their address.
	Signed bool
	// Links are the telemetry links by number, 1 to MaxLinks of them.
	Links      []LinkConfig
	Fields     telemetry.FieldsConfig
	Anemometer AnemometerConfig
	LoadCell   LoadCellConfig
	Lines      [interlock.LineCount]LineConfig
	// Other, if set, hears of each frame of another sender.
	Other func(system, component uint8)
	// Said, if set, is given the payload of each frame of the craft with words of its own.
	Said func(at time.Duration, payload []byte)
}
