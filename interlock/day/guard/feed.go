package guard

import (
	"fmt"
	"runtime/debug"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// What sensors and strangers leave for the loop, how it takes that in, and what it puts
// on record of a panic: all of it makes chunks and decides nothing.

const (
	windEvery = 250 * time.Millisecond // the sampling of wind speed: 4 Hz (WMO-No. 8 practice)
	// perStrangers bounds what one turn takes of what cannot be the craft's, and so
	// what a flood of it writes on the disk. What is more is counted: once every
	// toldEvery a chunk of the host's says how much.
	perStrangers = 8
	toldEvery    = time.Second
	// strangerMost bounds the same for one datagram: what an Ethernet frame carries
	// (IEEE 802.3). One of 64 KiB can be made to take milliseconds to scan.
	strangerMost = 1500
)

// Telemetry leaves bytes of a link for the loop. Any goroutine.
func (l *Loop) Telemetry(c intake.Chunk) {
	l.inbox.put(laneLinks, parcel{source: intake.Telemetry, link: c.Link, from: c.From, to: c.To}, c.Bytes)
}

// Stranger leaves a datagram that cannot be the craft's for the record and the
// counts. It wakes nobody. Any goroutine.
func (l *Loop) Stranger(c intake.Chunk) {
	if len(c.Bytes) > strangerMost {
		l.long.Add(1)
		return
	}
	l.inbox.put(laneStrangers, parcel{source: intake.Telemetry, link: c.Link, from: c.From, to: c.To}, c.Bytes)
}

// WindEdge leaves one edge of the anemometer for the loop. Any goroutine.
func (l *Loop) WindEdge(e intake.WindEdge) {
	var room [intake.WindEdgeSize]byte
	one := [1]intake.WindEdge{e}
	l.inbox.put(laneSensors, parcel{source: intake.Wind}, intake.AppendWindEdges(room[:0], one[:]))
}

// WindFailed tells the loop that the anemometer's line is no longer watched. From then
// on its reading is missing. Any goroutine.
func (l *Loop) WindFailed() { l.windDead.Store(true) }

// Count leaves one conversion of the load cell for the loop. Any goroutine.
func (l *Loop) Count(c intake.Count) {
	var room [intake.CountSize]byte
	one := [1]intake.Count{c}
	l.inbox.put(laneSensors, parcel{source: intake.LoadCell}, intake.AppendCounts(room[:0], one[:]))
}

// strangers takes a few datagrams that cannot be the craft's, and tells how many
// more there were. Nothing is decided by them, so a replay misses none.
func (l *Loop) strangers(now time.Duration) {
	long := l.long.Swap(0)
	l.unkept += long
	l.unkeptAll += uint64(long)
	for range perStrangers {
		l.parcel.lost = 0
		if !l.inbox.take(laneStrangers, &l.parcel) {
			break
		}
		l.unkept += l.parcel.lost
		l.unkeptAll += uint64(l.parcel.lost)
		l.parcel.lost = 0
		l.takeIn(now, &l.parcel)
	}
	if l.unkept > 0 && now >= l.toldAt {
		l.toldAt = now + toldEvery
		l.hostNow(now, intake.HostMessage{Host: interlock.HostStrangers, On: true, Seq: l.unkept})
		l.unkept = 0
	}
}

// wind hands the edges of the last quarter second over as one chunk, also when
// there was none.
func (l *Loop) wind(now time.Duration) {
	if !l.cfg.Wind || now < l.windAt {
		return
	}
	l.windAt = max(l.windAt+windEvery, now+windEvery/2)
	if l.windDead.Load() {
		// No edge is no calm where nobody looks for one.
		l.edges = append(l.edges, intake.WindEdge{At: now, Failed: true})
	}
	l.windBytes = intake.AppendWindEdges(l.windBytes[:0], l.edges)
	l.edges = l.edges[:0]
	lost := l.windLost
	l.windLost = 0
	l.feed(now, intake.Chunk{Source: intake.Wind, Lost: lost, Bytes: l.windBytes})
}

// panicked keeps what panicked, and where, for the record. It is called while the
// panic unwinds.
func (l *Loop) panicked(p any) {
	l.broke = fmt.Sprintf("a part of the guard's program panicked: %v\n%s", p, debug.Stack())
	l.broke = l.broke[:min(len(l.broke), mostBroke)]
}

// mostBroke bounds what is kept of a panic: its text and the calls nearest to it.
const mostBroke = 4000

// tellBroken puts a panic on record. The engine has acted on it.
func (l *Loop) tellBroken(now time.Duration) {
	if text := l.broke; text != "" {
		l.broke = ""
		l.hostNow(now, intake.HostMessage{Host: interlock.HostBroken, On: true, Text: text})
	}
}
