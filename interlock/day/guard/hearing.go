package guard

import (
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
)

// How the words of links come to the loop. A read that hangs, or ends the program, ends
// the heartbeat with it: what must hold whatever a link gives is decided without them.

// mostDropped bounds what is read and forgotten after a stall: more than a queue of the
// kernel's holds.
const mostDropped = 4096

// Ours: so much apart the loop turns at the most, whatever wakes it, behind as many turns
// as come in a burst. A craft, pins and sensors want some 700 turns a second.
const (
	turnsApart = 500 * time.Microsecond
	turnsBurst = 16
)

// pace keeps noise on an input line, or a flood on a link, from taking the processor: what
// comes while the loop rests waits in the kernel's queues, which are bounded and counted.
type pace struct{ until time.Duration }

// rest is how long the loop rests after its turn at now before more than a helper's bell wakes it.
func (p *pace) rest(now time.Duration) time.Duration {
	p.until = min(max(p.until, now-turnsBurst*turnsApart)+turnsApart, now+2*turnsApart)
	return p.until - now
}

// hearing is what the loop reads links with.
type hearing struct {
	links  []*link.Link
	heard  []byte                  // room for what one gives
	gone   [intake.MaxLinks]uint32 // what of each was thrown away after a stall, and not told yet
	unread uint64                  // what was never taken in: a queue of the kernel's was full, or it was thrown away
	pace
}

// Reads has the loop read these links, each by its number in the pad file, before the
// first turn.
func (l *Loop) Reads(links []*link.Link) { l.links = links }

// readLinks reads every link until nothing waits, and reports whether something was
// left: what one turn takes is bounded by count and by time, so that a flood or a slow
// read cannot hold up pins and heartbeat. Each link has its own share of the time.
func (l *Loop) readLinks(now time.Duration) (more bool) {
	for i, from := range l.links {
		began := l.cfg.Clock()
		for taken := 0; ; taken++ {
			if taken == perLane || taken > 0 && l.cfg.Clock()-began > pinTurn/time.Duration(len(l.links)) {
				more = true
				break
			}
			n, sender, lost := from.Read(l.heard)
			if n == link.Nothing {
				break
			}
			l.unread += uint64(lost)
			c := intake.Chunk{Source: intake.Telemetry, Link: uint8(i), From: sender, To: from.LocalAddr(), Lost: lost, Bytes: l.heard[:n]}
			switch l.cfg.Whose(&c) {
			case Craft:
				c.Lost += l.gone[i]
				l.gone[i] = 0
				l.feed(now, c)
			case Stranger:
				l.stranger(now, c)
			}
		}
	}
	return more
}

// dropHeard reads and forgets what the links gave while the loop stood still.
func (l *Loop) dropHeard() {
	for i, from := range l.links {
		for range mostDropped {
			n, _, lost := from.Read(l.heard)
			if n == link.Nothing {
				break
			}
			l.gone[i] += 1 + lost
			l.unread += 1 + uint64(lost)
		}
	}
}

// Telemetry leaves bytes of a link for the loop. Any goroutine.
func (l *Loop) Telemetry(c intake.Chunk) {
	c.Source = intake.Telemetry
	l.inbox.put(laneLinks, c)
}
