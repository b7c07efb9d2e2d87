package intake

import (
	"errors"
	"fmt"
	"net/netip"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
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
}

// check finds every fault at once.
func (c *Config) check() error {
	var errs []error
	if c.Craft.System == 0 || c.Craft.Component == 0 {
		errs = append(errs, fmt.Errorf("craft: want system and component from 1 to 255 (got %d and %d); listen on the link to learn them", c.Craft.System, c.Craft.Component))
	}
	if n := len(c.Links); n < 1 || n > MaxLinks {
		errs = append(errs, fmt.Errorf("links: want 1 to %d telemetry links (got %d)", MaxLinks, n))
	}
	for i, l := range c.Links {
		if l.Stream && l.From.IsValid() {
			errs = append(errs, fmt.Errorf("link %d: a stream has no sender's address (got %v); leave it out", i, l.From))
		}
		if !l.Stream && !l.From.IsValid() && l.From != (netip.AddrPort{}) {
			errs = append(errs, fmt.Errorf("link %d: the sender's port %d stands without an address; name the address too", i, l.From.Port()))
		}
	}
	fed := func(id rules.ChannelID, device string) {
		for _, n := range c.Fields.Named {
			if n.Channel == id {
				errs = append(errs, fmt.Errorf("%v: both the %s and the craft's named value %q feed it; take one away: a source never switches in silence", id, device, n.Name))
			}
		}
	}
	if c.Anemometer.Fitted {
		fed(rules.WindSpeed, "anemometer")
	}
	if c.LoadCell.Fitted {
		fed(rules.Tension, "load cell")
		if c.Fields.TensionFromWinch {
			errs = append(errs, fmt.Errorf("%v: both the load cell and the winch feed it; take one away: a source never switches in silence", rules.Tension))
		}
	}
	errs = append(errs, c.Anemometer.check(), c.LoadCell.check())
	return errors.Join(errs...)
}
