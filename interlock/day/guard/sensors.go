package guard

import (
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// How the readings of sensors come to the loop. They may be late, lost or wrong: what
// must hold whatever a sensor says is decided without them.

// windPulses are the anemometer's edges until the next sample of the wind is due.
type windPulses struct {
	windAt    time.Duration
	pulses    []hw.Edge
	edges     []intake.WindEdge
	windLost  uint32
	windDead  bool // its line gives no edges any more
	windBytes []byte
}

// takePulses takes the edges that the kernel has kept; each has its own time.
func (l *Loop) takePulses() {
	if l.windDead {
		return
	}
	var err error
	l.pulses, err = l.cfg.Board.Edges(l.pulses[:0])
	for _, e := range l.pulses {
		l.edges = append(l.edges, intake.WindEdge{At: e.At, Rise: e.Rise, Lost: uint16(min(e.Lost, 65535))})
	}
	if err != nil {
		l.windDead = true
		l.tell(sensorFailed("anemometer", err))
	}
}

func sensorFailed(what string, err error) intake.HostMessage {
	return intake.HostMessage{Host: interlock.HostSensor, On: true, Text: what + ": " + err.Error()}
}

// wind hands the edges of the last quarter second over as one chunk, also where none came.
func (l *Loop) wind(now time.Duration) {
	if !l.cfg.Wind || now < l.windAt {
		return
	}
	l.windAt = max(l.windAt+intake.WindEvery, now+intake.WindEvery/2)
	if l.takePulses(); l.windDead {
		// Missing edges mean no calm once their reader has ended.
		l.edges = append(l.edges, intake.WindEdge{At: now, Failed: true})
	}
	n := len(l.edges)
	for n > 0 && l.edges[n-1].At > now { // it came while this turn ran: the next sample's
		n--
	}
	l.windBytes = intake.AppendWindEdges(l.windBytes[:0], l.edges[:n])
	l.edges = l.edges[:copy(l.edges, l.edges[n:])]
	l.feed(now, intake.Chunk{Source: intake.Wind, Lost: l.windLost, Bytes: l.windBytes})
	l.windLost = 0
}

// dropPulses forgets what came while the loop stood still.
func (l *Loop) dropPulses() {
	if l.cfg.Wind {
		l.takePulses()
		l.windLost += uint32(len(l.edges))
		l.unread += uint64(len(l.edges))
		l.edges = l.edges[:0]
	}
}

// Count leaves one conversion of the load cell for the loop. Any goroutine.
func (l *Loop) Count(c hw.Count) {
	var room [intake.CountSize]byte
	one := [1]intake.Count{{At: c.At, Value: c.Value, Failed: c.Failed}}
	l.inbox.put(laneSensors, intake.Chunk{Source: intake.LoadCell, Bytes: intake.AppendCounts(room[:0], one[:])})
}
