package unseen

import (
	"net/netip"

	"downhaul/interlock/pad"
)

// Strangers lists the links on which anybody on the network can pass for a second
// craft and so end a flight: UDP that is heard from beyond this computer, with
// neither the craft's address (from) nor a signing key to tell it by.
func Strangers(p *pad.Pad) (names []string) {
	if p.SigningKey != "" {
		return nil
	}
	for i := range p.Links {
		l := &p.Links[i]
		if l.Kind != pad.UDP || l.From.IsValid() {
			continue
		}
		if own, err := netip.ParseAddrPort(l.Address); err == nil && own.Addr().IsLoopback() {
			continue
		}
		name := l.Name
		if name == "" {
			name = l.Address
		}
		names = append(names, name)
	}
	return names
}
