package guard

import (
	"fmt"
	"runtime/debug"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
)

// What the loop takes for the record alone: datagrams that cannot be the craft's, and
// the text of a panic that the engine has acted on. It decides nothing.

const (
	// perStrangers bounds what one turn takes of what cannot be the craft's, and so
	// what a flood of it writes on the disk. What is more is counted: once every
	// toldEvery a chunk of the host's says how much.
	perStrangers = 8
	toldEvery    = time.Second
	// strangerMost bounds the same for one datagram: what an Ethernet frame carries
	// (IEEE 802.3). One of 64 KiB can be made to take milliseconds to scan.
	strangerMost = 1500
	// mostBroke bounds what is kept of a panic: its text and the calls nearest to it.
	mostBroke = 4000
)

// aside is what the loop has for the record, and has not put there yet.
type aside struct {
	kept      int           // datagrams of strangers, since the turn began
	unkept    uint32        // those that were not kept, not told yet
	unkeptAll uint64        // all of them
	toldAt    time.Duration // when that may be told again
	broke     string        // a panic, with its place
}

// stranger takes a datagram that cannot be the craft's for the record and the counts.
// Nothing is decided by it, so a replay misses none that is only counted.
func (l *Loop) stranger(now time.Duration, c intake.Chunk) {
	if len(c.Bytes) > strangerMost || l.kept == perStrangers {
		l.notKept(1)
		return
	}
	l.kept++
	l.feed(max(now, l.ended), c)
}

// strangers takes a few of the datagrams that wait aside, and tells how many were not kept.
func (l *Loop) strangers(now time.Duration) {
	l.kept = 0
	for i, from := range l.links {
		for range perStrangers {
			n, sender, lost := from.ReadAside(l.heard)
			if n == link.Nothing {
				break
			}
			l.notKept(lost)
			c := intake.Chunk{Source: intake.Telemetry, Link: uint8(i), From: sender, To: from.LocalAddr(), Bytes: l.heard[:n]}
			switch whose := l.cfg.Whose(&c); {
			case whose == Craft:
				// It sends to another address than before. This one, and what waits here,
				// are as old as the others' flood made them.
				from.Widen()
				l.dropHeard()
			case whose == Stranger:
				l.stranger(now, c)
			}
		}
	}
	if l.unkept > 0 && now >= l.toldAt {
		l.toldAt = now + toldEvery
		l.hostNow(now, intake.HostMessage{Host: interlock.HostStrangers, On: true, Seq: l.unkept})
		l.unkept = 0
	}
}

func (l *Loop) notKept(n uint32) {
	l.unkept += n
	l.unkeptAll += uint64(n)
}

// panicked keeps what panicked, and where, for the record. It is called while the
// panic unwinds.
func (l *Loop) panicked(p any) {
	l.broke = fmt.Sprintf("a part of the guard's program panicked: %v\n%s", p, debug.Stack())
	l.broke = l.broke[:min(len(l.broke), mostBroke)]
}

// tellBroken puts a panic on record. The engine has acted on it.
func (l *Loop) tellBroken(now time.Duration) {
	if text := l.broke; text != "" {
		l.broke = ""
		l.hostNow(now, intake.HostMessage{Host: interlock.HostBroken, On: true, Text: text})
	}
}
