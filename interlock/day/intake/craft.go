package intake

import (
	"net/netip"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// aliveFor is how long after its last accepted frame the craft holds its
// address: two and a half times the 1 s period of the heartbeat message, the
// slowest sign of life of any craft. Ours.
const aliveFor = 2500 * time.Millisecond

// idRadioStatus is sent by the radios of a link, under ids of their own; idStatustext
// has words of the craft. From the MAVLink common message set.
const idRadioStatus, idStatustext = 109, 253

// place is where frames come from: a link and, for datagrams, an address.
type place struct {
	link uint8
	from netip.AddrPort
}

// craft is what is remembered of the named craft.
type craft struct {
	known   bool
	at      place
	last    time.Duration // of its last accepted frame
	clashed bool
	clash   time.Duration // when the clash was last said
	clocks  bootClocks
	past    past
	loss    loss
}

// alive reports whether the craft still holds its address.
func (c *craft) alive(at time.Duration) bool {
	return c.known && at-c.last <= aliveFor
}

// link is one telemetry link.
type link struct {
	cfg    LinkConfig
	stream telemetry.Stream  // of a stream
	whole  telemetry.Scanner // of datagrams
	n      LinkCounts
}

// pinned reports whether the pad file allows the craft at this address.
func (l *link) pinned(from netip.AddrPort) bool {
	want := l.cfg.From
	return !want.IsValid() || (want.Addr().Unmap() == from.Addr() && (want.Port() == 0 || want.Port() == from.Port()))
}

// arrival is how the frames of one chunk came in. What hangs on the place alone
// is worked out once for all of them.
type arrival struct {
	at     time.Duration
	link   *link
	from   place
	timed  bool // at is when it was heard, not an estimate made of boot clocks
	pinned bool // the pad file allows the craft there
	here   bool // the craft is known, and was last heard there
}

// appendTelemetry takes one telemetry chunk.
func (in *decoder) appendTelemetry(dst []interlock.Input, c *Chunk) []interlock.Input {
	if int(c.Link) >= len(in.links) {
		in.n.BadRecords++
		return dst
	}
	l := &in.links[c.Link]
	a := arrival{at: c.At, timed: c.Checked == nil, link: l, from: place{link: c.Link}}
	if !l.cfg.Stream && c.Checked == nil {
		a.from.from = netip.AddrPortFrom(c.From.Addr().Unmap(), c.From.Port())
	}
	a.pinned, a.here = l.pinned(a.from.from), in.craft.known && in.craft.at == a.from
	switch {
	case c.Checked != nil:
		for i := range c.Checked {
			dst = in.frame(dst, &a, &c.Checked[i])
		}
	case l.cfg.Stream:
		if c.Lost > 0 {
			l.stream.Drop() // the bytes behind the gap do not finish it
		}
		l.stream.Feed(c.Bytes)
		for f, ok := l.stream.Next(); ok; f, ok = l.stream.Next() {
			dst = in.frame(dst, &a, &f)
		}
	default:
		var f telemetry.Frame
		for b := c.Bytes; len(b) > 0; {
			used, ok := l.whole.NextInto(&f, b, true)
			if !ok {
				break
			}
			b = b[used:]
			dst = in.frame(dst, &a, &f)
		}
	}
	return dst
}

// frame takes one checked frame.
func (in *decoder) frame(dst []interlock.Input, a *arrival, f *telemetry.Frame) []interlock.Input {
	dst, ok, restarted := in.accept(dst, a, f)
	if !ok {
		return dst
	}
	// Field by field: a copy of what was just put together waits for its parts.
	dst = append(dst, interlock.Input{})
	heard := &dst[len(dst)-1]
	heard.Kind, heard.Seq = interlock.FrameInput, uint32(f.Seq)
	if f.ID == idStatustext && in.cfg.Said != nil {
		in.cfg.Said(a.at, f.Payload)
	}
	from := len(dst)
	dst = in.table.Append(dst, f)
	if index, ok := in.table.Controllers(f); ok {
		dst = dst[:from+len(in.controllers.join(dst[from:], index, a.at))]
	}
	if telemetry.TellsCurrent(f) {
		in.currents.take(dst[from:], a.at, f)
	}
	if s, ok := in.craft.loss.take(a.at, f.Seq, restarted); ok {
		dst = append(dst, sampleInput(s))
	}
	return dst
}

// accept reports whether the frame is the craft's, and a new one; what else there is
// to tell of it is added to dst. again reports whether its number tells of no gap.
func (in *decoder) accept(dst []interlock.Input, a *arrival, f *telemetry.Frame) (_ []interlock.Input, ok, again bool) {
	k, l := &in.craft, a.link
	named := f.System == in.cfg.Craft.System && f.Component == in.cfg.Craft.Component
	if f.ID == idRadioStatus {
		return in.radio(dst, a, f, named), false, false
	}
	if !named {
		l.n.Others++
		if in.cfg.Other != nil {
			in.cfg.Other(f.System, f.Component)
		}
		return dst, false, false
	}
	ms, clocked := f.BootMillis()
	// Who has the key is the craft by whatever way it comes: copies that overtake the
	// craft's own frames are its words, and the door lets each pass once. Another boot
	// clock is another craft's.
	keyed := in.cfg.Signed && a.pinned && !(clocked && k.clocks.another(ms, a.at))
	if a.elsewhere(k) && !keyed {
		l.n.WrongAddress++
		return in.foreign(dst, a, f), false, false
	}
	moved := !a.here
	sum := sumOf(f)
	repeat := k.past.has(f.Seq, sum)
	age, goesOn := fresh, clocked && k.clocks.goesOn(ms, a.at)
	switch {
	case clocked && !repeat:
		age = k.clocks.look(f, ms, a.at, a.timed)
	case clocked:
		age = same
		k.clocks.stand(a.at)
	case repeat || k.clocks.lacks(a.at) && a.timed:
		age = same
	}
	switch age {
	case same, old:
		l.n.Repeated++
		return dst, false, false
	case turned:
		// No sign of life and no value, but a clock that runs back.
		l.n.Repeated++
		return append(dst, sampleInput(measured(rules.CraftBootClock, float64(ms)/1000))), false, false
	case rival:
		l.n.Repeated++
		return in.clash(dst, a.at), false, false
	case late:
		l.n.Late++
		k.loss.overtaken()
		return dst, false, false
	case back:
		l.n.Restarts++
		in.controllers.forget()
		in.currents = currents{}
		k.past.restart()
	}
	again = age == back || moved && k.known
	if moved {
		k.known, k.at, a.here = true, a.from, true
	}
	k.past.take(a.at, f.Seq, sum, clocked, goesOn)
	k.last = a.at
	l.n.Frames++
	return dst, true, again
}

// elsewhere reports whether the craft's identity must not come from there now.
func (a *arrival) elsewhere(k *craft) bool {
	return !a.pinned || !a.here && k.alive(a.at)
}

// radio takes RADIO_STATUS: a radio of the link tells of itself, under an
// identity of its own or under the craft's. It feeds the radio's channels when
// it comes the way the craft does, and never proves that the craft is alive:
// the radio on the ground goes on talking when the craft is gone.
func (in *decoder) radio(dst []interlock.Input, a *arrival, f *telemetry.Frame, named bool) []interlock.Input {
	l := a.link
	// Before the craft is known: a line has one far end.
	if !a.here && (in.craft.known || !l.cfg.Stream) {
		if named && a.elsewhere(&in.craft) {
			l.n.WrongAddress++
			return in.foreign(dst, a, f)
		}
		l.n.Others++
		return dst
	}
	l.n.Radio++
	from := len(dst)
	dst = in.table.Append(dst, f)
	told := slices.DeleteFunc(dst[from:], func(x interlock.Input) bool {
		id := x.Sample.Channel
		return id != rules.RadioRSSI && id != rules.RadioRemoteRSSI && id != rules.RadioErrors
	})
	return dst[:from+len(told)]
}

// foreign takes a frame under the craft's identity that came from elsewhere. It
// feeds nothing. Where the pad file names the craft's address, or a key, that
// decides who is the craft: a stranger is only counted, or anybody on the network
// could end a flight with one datagram. What is behind the named address, or has
// the key, trips only where its boot clock is another craft's.
func (in *decoder) foreign(dst []interlock.Input, a *arrival, f *telemetry.Frame) []interlock.Input {
	named := a.link.cfg.From.IsValid()
	if named && !a.pinned {
		return dst
	}
	if named || in.cfg.Signed {
		if ms, clocked := f.BootMillis(); !clocked || !in.craft.clocks.another(ms, a.at) {
			return dst
		}
	}
	return in.clash(dst, a.at)
}

// clash reports whether there are two senders: once, and again after every aliveFor in
// which it went on, so that nothing can be started in the midst of it.
func (in *decoder) clash(dst []interlock.Input, at time.Duration) []interlock.Input {
	k := &in.craft
	if k.clashed && at-k.clash < aliveFor {
		return dst
	}
	k.clashed, k.clash = true, at
	in.n.Clashes++
	return append(dst, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostClash, On: true, Seq: uint32(in.n.Clashes)})
}
