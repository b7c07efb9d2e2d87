package guard

import (
	"sync/atomic"
	"time"

	"downhaul/interlock/day/intake"
)

// How the readings of sensors come to the loop. They may be late, lost or wrong: what
// must hold whatever a sensor says is decided without them.

// windEvery is the sampling of wind speed: 4 Hz (WMO-No. 8 practice).
const windEvery = 250 * time.Millisecond

// windPulses are the anemometer's edges until the next sample of the wind is due.
type windPulses struct {
	windAt    time.Duration
	edges     []intake.WindEdge
	windLost  uint32
	windDead  atomic.Bool // nobody watches the anemometer's line any more
	windBytes []byte
}

// takeEdge has an edge wait for the next wind sample: it carries its own time.
func (l *Loop) takeEdge(p *parcel) {
	l.windLost += p.lost
	if e, ok := intake.DecodeWindEdge(p.bytes); ok {
		l.edges = append(l.edges, e)
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
