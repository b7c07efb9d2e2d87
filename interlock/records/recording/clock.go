package recording

import (
	"fmt"
	"time"
)

// mostSilence is the longest silence that a foreign capture's clock is believed;
// no rule waits for longer, so a longer one would decide nothing else. Ours.
const mostSilence = time.Hour

// Jump is a place where a clock was set, or began anew.
type Jump struct {
	// At is the engine time there; By is how far the clock went, negative for
	// back. Packet is the number of the packet, from 1; 0 in raw bytes.
	At     time.Duration
	By     time.Duration
	Packet uint64
}

// mostJumps is how many are kept one by one; all are counted. Ours.
const mostJumps = 4

// captureTime makes one time that never runs back out of a capture's clock.
//
// A little back (agree) is packets of several queues out of order. What is
// further back, or ahead by more than mostSilence, is believed only when a
// second packet agrees; then the clock was set, and time goes on from where it
// stood: with no silence where it went back, with mostSilence where it went
// ahead. A single packet with a wild time takes the time before.
type captureTime struct {
	begun    bool
	base     int64 // the clock's time at engine time 0, ns since 1970
	now      time.Duration
	doubt    int64
	doubting bool
	backward uint64 // times that took the time before
	set      uint64
	jumps    []Jump
}

// see takes one packet's time, ns since 1970, and gives the time now. With steady
// the clock is our own, which is never set ahead: a guard may well
// hear nothing for longer than an hour.
func (c *captureTime) see(ns int64, steady bool, packet uint64) time.Duration {
	if !c.begun {
		c.begun, c.base = true, ns
	}
	at := time.Duration(ns - c.base)
	far := c.doubting && (ns < c.doubt-int64(agree) || ns > c.doubt+int64(leap))
	switch d := at - c.now; {
	case at >= c.now && (steady || d <= mostSilence):
		c.now, c.doubting = at, false
	case d < 0 && d >= -agree:
		c.backward++
		c.doubting = false
	case !c.doubting || far:
		c.backward++
		c.doubt, c.doubting = ns, true
	default:
		c.set++
		if len(c.jumps) < mostJumps {
			c.jumps = append(c.jumps, Jump{At: c.now, By: time.Duration(c.doubt-c.base) - c.now, Packet: packet})
		}
		next := c.now + time.Duration(max(0, ns-c.doubt))
		if d > 0 {
			next += mostSilence
		}
		c.now = max(c.now, next) // a sum past the range stays where it is
		c.base, c.doubting = ns-int64(c.now), false
	}
	return c.now
}

// jumpNotes returns where clocks were set, in plain words.
func (i *Info) jumpNotes() (notes []string) {
	for _, j := range i.Jumps {
		where := fmt.Sprintf("at %.3f s", j.At.Seconds())
		if j.Packet > 0 {
			where += fmt.Sprintf(" (packet %d)", j.Packet)
		}
		by := j.By.Abs().Round(time.Millisecond)
		switch {
		case i.Form == Raw && j.By < 0:
			notes = append(notes, fmt.Sprintf("the craft's clock began anew %s, %v back; time goes on from there, and how long it was away is not known", where, by))
		case i.Form == Raw:
			notes = append(notes, fmt.Sprintf("the craft's clock jumps ahead by %v %s", by, where))
		case j.By < 0:
			notes = append(notes, fmt.Sprintf("the recording's clock was set back by %v %s; time goes on from there", by, where))
		default:
			notes = append(notes, fmt.Sprintf("the recording's clock goes ahead by %v %s; that counts as a silence of %v, which is as long as any rule waits", by, where, mostSilence))
		}
	}
	if more := i.Set + i.Restarts + i.Leaps - uint64(len(i.Jumps)); more > 0 {
		notes = append(notes, fmt.Sprintf("%d more jumps of that clock", more))
	}
	return notes
}
