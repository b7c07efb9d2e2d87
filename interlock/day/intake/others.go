package intake

import (
	"net/netip"
	"time"

	"downhaul/interlock/day/telemetry"
)

// MaxOthers is how many other senders are told apart; more are only counted.
const MaxOthers = 32

// Other is a sender that is not the craft.
type Other struct {
	Link              uint8
	From              netip.AddrPort // zero for streams
	System, Component uint8
	Frames            uint64
	First, Last       time.Duration // engine time
}

// others keeps the first MaxOthers senders.
type others struct {
	n    int
	list [MaxOthers]Other
}

func (o *others) note(at time.Duration, p place, f *telemetry.Frame) {
	for i := range o.list[:o.n] {
		e := &o.list[i]
		if e.System == f.System && e.Component == f.Component && e.Link == p.link && e.From == p.from {
			e.Frames++
			e.Last = at
			return
		}
	}
	if o.n < MaxOthers {
		o.list[o.n] = Other{Link: p.link, From: p.from, System: f.System, Component: f.Component, Frames: 1, First: at, Last: at}
		o.n++
	}
}

// Others lists the senders besides the craft in the order they were first
// heard, at most MaxOthers. The slice is the caller's own.
func (in *Intake) Others() []Other {
	o := &in.decoder.(*decoder).others
	return append([]Other(nil), o.list[:o.n]...)
}
